"""JAMS, plain beats and CSV: valid for those who read them, and the same when read back."""

import csv
import io
import json
import warnings

import numpy as np
import pytest
from songs import analysis, of_pulse, random_analysis

from pulsefind.beats.imported import Given, pulse_of
from pulsefind.core.errors import FormatError
from pulsefind.core.records import Pulse, Settings
from pulsefind.export.formats import ENDINGS, check_formats, export, read_beats, write_beats, write_csv, write_jams
from pulsefind.export.midi import write_midi

with warnings.catch_warnings():
    # The library's own imports warn about what they will change.
    warnings.simplefilter("ignore")
    import jams

pytestmark = pytest.mark.filterwarnings("ignore:Passing a schema:DeprecationWarning")
"""The jams library calls its validator in a way that will go."""

EMPTY = of_pulse(Pulse(np.zeros(0), np.zeros(0), np.zeros(0), 4, 1, 1, 1))
SONGS = [
    analysis(meters=(4,) * 8, pickup=1, drift=0.05, guide=(("2&", 1), ("4&", 1))),
    analysis(meters=(7,) * 4, unit=8, bpm=210.0),
    *(random_analysis(seed) for seed in range(8)),
]


@pytest.mark.parametrize("song", [*SONGS, EMPTY], ids=range(len(SONGS) + 1))
def test_jams_is_valid_under_the_librarys_schema(song, tmp_path):
    path = tmp_path / "a.jams"
    path.write_bytes(write_jams(song))
    document = jams.load(str(path), validate=True, strict=True)
    (beats,) = document.search(namespace="^beat$")
    assert [o.time for o in beats.data] == pytest.approx(song.beats.time_s, abs=1e-6)
    assert [o.value for o in beats.data] == list(song.bars.count)
    (tempo,) = document.search(namespace="^tempo$")
    assert [o.value for o in tempo.data] == pytest.approx(song.tempo.bar_bpm, abs=1e-5)
    (segments,) = document.search(namespace="segment_open")
    assert len(segments.data) == len(song.alone) + sum(len(guide.coverage) for guide in song.guides)
    ends_s = [*song.bars.start_s[1:], song.bars.end_s][: len(song.bars.start_s)]
    assert [o.time + o.duration for o in tempo.data] == pytest.approx(ends_s, abs=2e-6)
    assert document.file_metadata.duration == pytest.approx(song.track.duration_s)
    (positions,) = document.search(namespace="beat_position")
    for points in (beats, positions):
        assert {o.duration for o in points.data} <= {0.0}
        assert [o.confidence for o in points.data] == pytest.approx(song.beats.confidence, abs=1e-6)
    assert {(one.time, one.duration) for one in document.annotations} == {(0, document.file_metadata.duration)}


def test_jams_segments_are_the_guides_and_alone_stretches_with_their_lengths():
    song = SONGS[0]
    segments = json.loads(write_jams(song))["annotations"][3]["data"]
    stretches = [stretch for guide in song.guides for stretch in guide.coverage] + list(song.alone)
    assert stretches
    assert {one["value"] for one in segments} == {"guide: bright tick", *["alone"] * len(song.alone)}
    expected = sorted((s.start_s, s.end_s) for s in stretches)
    assert sorted((one["time"], one["time"] + one["duration"]) for one in segments) == [
        pytest.approx(pair, abs=2e-6) for pair in expected
    ]


def test_jams_refuses_what_is_invalid(tmp_path):
    # The check above can fail: a tempo below zero is outside the schema.
    document = json.loads(write_jams(SONGS[0]))
    document["annotations"][2]["data"][0]["value"] = -1
    path = tmp_path / "a.jams"
    path.write_text(json.dumps(document))
    with pytest.raises(jams.SchemaError):
        jams.load(str(path), validate=True, strict=True)


def test_plain_beats_are_time_tab_count():
    lines = write_beats(SONGS[0]).decode().splitlines()
    assert len(lines) == len(SONGS[0].beats.time_s)
    assert lines[:2] == ["1.000000\t4", f"{SONGS[0].beats.time_s[1]:.6f}\t1"]
    assert write_beats(EMPTY) == b""


def test_tables():
    song = SONGS[0]
    tables = {end: list(csv.DictReader(io.StringIO(data.decode()))) for end, data in write_csv(song).items()}
    assert tuple(tables) == ENDINGS["csv"]
    assert [float(row["time_s"]) for row in tables[".beats.csv"]] == pytest.approx(song.beats.time_s, abs=1e-6)
    assert [int(row["bar"]) for row in tables[".beats.csv"]][:6] == [0, 1, 1, 1, 1, 2]
    assert {row["meter"] for row in tables[".bars.csv"]} == {"4/4"}
    assert [float(row["start_s"]) for row in tables[".bars.csv"]] == pytest.approx(song.bars.start_s, abs=1e-6)
    hits = tables[".hits.csv"]
    assert len(hits) == len(song.guides[0].hits.time_s)
    assert {(row["guide"], row["place"], row["on_pattern"]) for row in hits} == {("1", "1", "1")}


@pytest.mark.parametrize("kind", ["midi", "jams", "beats", "csv"])
@pytest.mark.parametrize("song", SONGS, ids=range(len(SONGS)))
def test_round_trip(kind, song, tmp_path):
    ending, data = next(iter(export(song, kind).items()))
    path = tmp_path / f"a{ending}"
    path.write_bytes(data)
    pulse = pulse_of(read_beats(path), Settings(), path.name)
    again = of_pulse(pulse, guide=())
    np.testing.assert_allclose(again.beats.time_s, song.beats.time_s, atol=2e-6)
    np.testing.assert_array_equal(again.bars.count, song.bars.count)
    np.testing.assert_array_equal(again.bars.number, song.bars.number)
    np.testing.assert_array_equal(again.bars.beats_per_bar, song.bars.beats_per_bar)
    if kind in ("midi", "jams"):
        assert again.bars.unit == song.bars.unit


@pytest.mark.parametrize("namespace", ["beat", "beat_position"])
def test_jams_written_by_the_library_is_read(namespace, tmp_path):
    document = jams.JAMS(file_metadata=jams.FileMetadata(duration=10.0))
    beats = jams.Annotation(namespace, time=0, duration=10.0)
    for k in range(8):
        position = {"position": k % 3 + 1, "measure": k // 3, "num_beats": 3, "beat_units": 4}
        beats.append(time=k * 0.5, duration=0, value=k % 3 + 1 if namespace == "beat" else position)
    document.annotations.append(beats)
    document.save(str(tmp_path / "a.jams"))
    given = read_beats(tmp_path / "a.jams")
    np.testing.assert_allclose(given.time_s, np.arange(8) * 0.5)
    np.testing.assert_array_equal(given.count, np.arange(8) % 3 + 1)


def read_text(tmp_path, text, name="a.txt"):
    (tmp_path / name).write_text(text)
    return read_beats(tmp_path / name)


def test_plain_text_as_others_write_it(tmp_path):
    given = read_text(tmp_path, "# corrected\n\n0.5 1\n1.0 2.0\n 1.5\t3 \n", "a.beats")
    np.testing.assert_allclose(given.time_s, [0.5, 1.0, 1.5])
    np.testing.assert_array_equal(given.count, [1, 2, 3])
    assert read_text(tmp_path, "0.5\n1.0\n").count is None
    np.testing.assert_array_equal(read_text(tmp_path, "time_s,count\n0.5,1\n1.0,2\n", "a.csv").count, [1, 2])


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.txt", "0.5 1\nx 2\n", "line 2: 'x' is no time"),
        ("a.txt", "0.5 1\n1.0 2.5\n", "line 2: '2.5' is no count"),
        ("a.txt", "0.5 1\n1.0\n", "line 2 has no count"),
        ("a.txt", "0.5 1\nnan 2\n", "line 2: 'nan' is no time"),
        ("a.csv", "time,count\n1,1\n", "names no column time_s"),
        ("a.csv", "time_s,count\n1,\n", "line 2: '' is no time"),
        ("a.csv", "time_s,count\n1,1\nx,2\n", "line 3: 'x' is no time"),
        ("a.txt", "0.5 1\n1.0 256\n", "line 2: '256' is no count"),
        ("a.jams", "{", "is no JAMS file"),
        ("a.jams", "[]", "is no JAMS file"),
        ("a.jams", '{"annotations": []}', "holds no annotation of beats"),
        ("a.jams", '{"annotations": [{"namespace": "beat", "data": [{"time": "x", "value": 1}]}]}', "is no JAMS file"),
        ("a.mid", "no midi", "is no MIDI file"),
    ],
)
def test_what_can_not_be_read_is_said(tmp_path, name, text, message):
    with pytest.raises(FormatError, match=message):
        read_text(tmp_path, text, name)


def test_files_that_are_none_are_said(tmp_path):
    with pytest.raises(FormatError, match="can't be read"):
        read_beats(tmp_path / "none.txt")
    with pytest.raises(FormatError, match="can't be read"):
        read_beats(tmp_path)
    (tmp_path / "b.txt").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(FormatError, match="is no text"):
        read_beats(tmp_path / "b.txt")


def given(times, counts=None):
    return Given(np.array(times, float), None if counts is None else np.array(counts))


@pytest.mark.parametrize(
    ("beats", "message"),
    [
        (given([1.0], [1]), "at least 2"),
        (given([1.0, 0.5], [1, 2]), "beat 2 does not come after"),
        (given([1.0, 1.0], [1, 2]), "beat 2 does not come after"),
        (given([-1.0, 1.0], [1, 2]), "time of beat 1"),
        (given([1, 2, 3], [1, 2, 4]), "beat 3 has the count 4 after 2"),
        (given([1, 2, 3], [1, 1, 3]), "beat 3 has the count 3 after 1"),
        (given([1, 2], [0, 1]), "beat 1 has the count 0"),
        (given([1, 2]), "has no counts"),
    ],
)
def test_beats_that_make_no_bars_are_said(beats, message):
    with pytest.raises(FormatError, match=message):
        pulse_of(beats, Settings(), "x.txt")


def test_hints_complete_what_a_file_leaves_open():
    plain = given(np.arange(10) * 0.5)
    np.testing.assert_array_equal(pulse_of(plain, Settings(meter=(3, 4)), "x").count, (np.arange(10)) % 3 + 1)
    one = pulse_of(plain, Settings(meter=(4, 4), one_at_s=1.02), "x")
    np.testing.assert_array_equal(one.count[:4], [3, 4, 1, 2])
    assert pulse_of(plain, Settings(meter=(7, 8)), "x").unit == 8
    np.testing.assert_array_equal(pulse_of(plain, Settings(meter=(12, 8)), "x").beats_per_bar, 4)
    with pytest.raises(FormatError, match="count 4 in a bar of 3"):
        pulse_of(given(np.arange(8), [1, 2, 3, 4] * 2), Settings(meter=(3, 4)), "x")


def test_bars_are_as_long_as_they_are_counted():
    pulse = pulse_of(given(np.arange(12), [4, 1, 2, 3, 4, 1, 2, 3, 1, 2, 3, 1]), Settings(), "x")
    np.testing.assert_array_equal(pulse.beats_per_bar, [4] + [4] * 4 + [3] * 3 + [3] * 3 + [3])


def test_formats_are_named():
    assert check_formats("midi, JAMS,midi") == ("midi", "jams")
    for text in ("", "mp3", "midi,x", ","):
        with pytest.raises(FormatError, match="midi, jams, beats, csv"):
            check_formats(text)


def test_midi_stands_behind_its_name():
    assert export(SONGS[0], "midi") == {".mid": write_midi(SONGS[0])}


@pytest.mark.parametrize("seed", range(300))
def test_damaged_files_are_said_or_read_but_never_crash(seed, tmp_path):
    rng = np.random.default_rng(seed)
    ending, data = (".mid", write_midi(SONGS[0])) if seed % 2 else (".jams", write_jams(SONGS[0]))
    damaged = bytearray(data)
    for at in rng.integers(0, len(data), rng.integers(1, 6)):
        damaged[at] = rng.integers(0, 256) if seed % 2 else rng.choice(list(b'0123456789{}[]",:.-eanul '))
    path = tmp_path / f"a{ending}"
    path.write_bytes(damaged[: len(data) if seed % 5 else int(rng.integers(0, len(data)))])
    try:
        pulse_of(read_beats(path), Settings(), path.name)
    except FormatError as error:
        assert path.name in str(error)


def test_beats_lie_as_far_apart_as_beats_can():
    """To either bound, and not beyond; up to 100 000 of them."""
    for gap_s, fits in ((0.05, True), (0.0499, False), (50.0, True), (50.001, False)):
        times = given([0.0, gap_s, gap_s + 1.0], [1, 2, 3])
        if fits:
            pulse_of(times, Settings(), "x")
        else:
            with pytest.raises(FormatError, match=f"beat 2 comes {gap_s:.3f} s after"):
                pulse_of(times, Settings(), "x")
    many = np.arange(100_001) * 0.1
    pulse_of(given(many[:-1]), Settings(meter=(4, 4)), "x")
    with pytest.raises(FormatError, match="holds 100001 beats"):
        pulse_of(given(many), Settings(meter=(4, 4)), "x")


def test_bars_have_up_to_64_beats_of_a_written_value():
    count = np.arange(1, 66)
    assert pulse_of(given(count[:-1], count[:-1]), Settings(), "x").beats_per_bar.max() == 64
    with pytest.raises(FormatError, match="bars of 65 beats"):
        pulse_of(given(count, count), Settings(), "x")
    for unit in (1, 2, 4, 8, 16, 32, 3, 17, 33, 64):
        told = Given(np.arange(4.0), np.array([1, 2, 1, 2]), np.full(4, 2), unit)
        if unit in (1, 2, 4, 8, 16, 32):
            pulse = pulse_of(told, Settings(), "x")
            assert pulse.unit == unit and (
                pulse.probability_one,
                pulse.probability_octave,
                pulse.probability_meter,
            ) == (1, 1, 1)
        else:
            with pytest.raises(FormatError, match=f"the note value 1/{unit}"):
                pulse_of(told, Settings(), "x")


def test_the_meters_of_a_file_stand_unless_a_hint_says_otherwise():
    told = Given(np.arange(6.0), np.array([1, 2, 1, 2, 1, 2]), np.full(6, 3), 4)
    np.testing.assert_array_equal(pulse_of(told, Settings(), "x").beats_per_bar, 3)
    np.testing.assert_array_equal(pulse_of(told, Settings(meter=(5, 4)), "x").beats_per_bar, 5)
    with pytest.raises(FormatError, match="beat 3 has the count 3 in a bar of 2"):
        pulse_of(Given(np.arange(4.0), np.array([1, 2, 3, 1]), np.full(4, 2), 4), Settings(), "x")
    # A 1 on the second of five: the fifth and the one before the first count down to it.
    one = pulse_of(given(np.arange(10) * 0.5), Settings(meter=(5, 4), one_at_s=0.52), "x")
    np.testing.assert_array_equal(one.count[:4], [5, 1, 2, 3])
    # A last bar cut short has the meter of the one before, with two bars too.
    np.testing.assert_array_equal(pulse_of(given(np.arange(5), [1, 2, 3, 1, 2]), Settings(), "x").beats_per_bar, 3)
