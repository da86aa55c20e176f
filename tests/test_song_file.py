"""The song's file: what it says, what is wrong with it and where, and edits that leave everything else alone."""

import os
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pulsefind.core.corrections import Corrections, One, bars_of, form_at, is_exact, section_at
from pulsefind.core.errors import FormatError, HintError, PulsefindError
from pulsefind.song.notation import parse_form, parse_passage, passage_text
from pulsefind.song.place import find_song, other_sound, song_path, stranger
from pulsefind.song.reading import LARGEST_BYTES, read_song
from pulsefind.song.writing import edited, song_text, values_of

WHOLE = """\
# my own words stay
title = "Paper Harbour"            # invented
notes = ["watch Ida in the bridge", "sticks from bar 33"]
recording = { sha256 = "%s", length_s = 201.5, from = "the band" }
nudge_ms = -12.5
the_1 = [2.240, "1:02.3"]          # the second by ear
bpm = 92
meter = "4/4"
range = "0:01-3:20"
mood = "brisk"                     # none of pulsefind's business
meters = [
  "bars 48-65: 2/4 3/8 3/8 3/8 5/8",
  "bar 24: 4/4 held on 4 until 1:02.340",   # the fermata
  "bars 70-: 3+3+2/8",
]
tempi = ["bar 33: 96", "bar 41: 90:100"]
sections = ["verse 9-24", "chorus 25-32", "verse 33-40"]

[taps]
times = [10.0, 10.5, 11.02, 11.5]
counts = [1, 2, 3, 4]

[[confirmed]]
what = "the 1, bars 1-40"
by = "Ida"
on = 2026-11-27
""" % ("ab" * 32)


def write(tmp_path, text, name="Paper Harbour.song.toml"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    return path


def read(tmp_path, text):
    return read_song(write(tmp_path, text)).corrections


def test_every_key_is_read_as_it_is_written(tmp_path):
    known = read(tmp_path, WHOLE)
    assert (known.title, known.nudge_ms, known.meter) == ("Paper Harbour", -12.5, (4, 4))
    assert known.ones == (One(2.24, True), One(62.3, False))
    assert (known.bpm_low, known.bpm_high) == pytest.approx((92 * 0.94, 92 * 1.06))
    assert (known.start_s, known.end_s) == (1.0, 200.0)
    held, bridge, end = known.passages
    assert (held.first_bar, held.last_bar, held.forms[0].held, held.forms[0].until_s) == (24, 24, 4, 62.34)
    assert [(form.meter, form.beats, form.beat_quarters) for form in bridge.forms] == [
        ("2/4", 2, 1.0),
        *[("3/8", 3, 0.5)] * 3,
        ("5/8", 5, 0.5),
    ]
    assert (end.first_bar, end.last_bar, end.forms[0].beats) == (70, None, 8)
    assert [(tempo.bar, round(tempo.bpm_high, 1)) for tempo in known.tempi] == [(33, 101.8), (41, 100.0)]
    assert known.taps_s == (10.0, 10.5, 11.02, 11.5) and known.taps_count == (1, 2, 3, 4)
    assert [section.name for section in known.sections] == ["verse", "chorus", "verse"]
    assert (known.confirmed[0].by, known.confirmed[0].on) == ("Ida", "2026-11-27")
    assert known.recording.length_s == 201.5


def test_an_empty_file_says_nothing(tmp_path):
    assert read(tmp_path, "") == read(tmp_path, "# only words\n") == Corrections()


def test_a_time_says_the_millisecond_by_its_decimals(tmp_path):
    assert read(tmp_path, "the_1 = 2.24").ones == (One(2.24, False),)
    assert read(tmp_path, "the_1 = 2.240").ones == (One(2.24, True),)
    assert read(tmp_path, "the_1 = 2").ones == (One(2.0, False),)
    assert [is_exact(text) for text in ("2.24", "2.240", "1:02.3405", "1:02")] == [False, True, True, False]


@pytest.mark.parametrize(
    ("change", "line", "told"),
    [
        (("nudge_ms = -12.5", "nudge_ms = 900"), 5, "nudge_ms: 900 lies outside -200 to 200"),
        (("nudge_ms = -12.5", "nudge_ms = true"), 5, "nudge_ms: write a number"),
        (('"1:02.3"]', '"1:72.3"]'), 6, "the_1: '1:72.3' is no time"),
        (('"1:02.3"]', "1.2]"), 6, "the_1: the times must increase"),
        (("bpm = 92", 'bpm = "fast"'), 7, "bpm: 'fast': write it like 92 or 80:100"),
        (('"4/4"', '"4/5"'), 8, "meter: '4/5': write it like 4/4"),
        (("3/8 5/8", "3/8 5/9"), 12, "meters: .*5/9"),
        (("held on 4", "held on 5"), 13, "meters: .*a bar of 4/4 has counts 1 to 4"),
        (("bars 70-", "bars 60-"), 14, "begins within the passage from bar 48"),
        (('"bar 41: 90:100"', '"bar 41: 100:90"'), 16, "tempi: .*the lower tempo comes first"),
        (("chorus 25-32", "chorus 23-32"), 17, "sections: chorus begins in bar 23, within verse"),
        (("verse 33-40", "33-40"), 17, "sections: .*write a name and its bars"),
        (("11.02,", "10.2,"), 20, "taps.times: beat 3 does not come after"),
        (("[1, 2, 3, 4]", "[1, 2, 4, 1]"), 20, "taps.times: .*count 4 after 2"),
        (("[1, 2, 3, 4]", "[1, 2]"), 21, "taps.counts: has 2 entries beside 4 times"),
        (('by = "Ida"', "by = 3"), 25, "confirmed.by: write a name"),
        (("length_s = 201.5", "length_s = -1"), 4, "recording.length_s"),
        (('title = "Paper Harbour"', "title = 3"), 2, "title: write it in quotes"),
        (("counts = [", "counts = [,"), 21, "no TOML"),
    ],
)
def test_a_mistake_names_the_line_and_the_key(tmp_path, change, line, told):
    assert change[0] in WHOLE
    with pytest.raises(FormatError, match=told) as error:
        read(tmp_path, WHOLE.replace(*change))
    assert f"line {line}" in str(error.value) and "Paper Harbour.song.toml" in str(error.value)
    assert "\n" not in str(error.value)


def test_a_slip_of_the_pen_is_remarked_on_and_other_keys_are_left_alone(tmp_path):
    song = read_song(write(tmp_path, "sectoins = 3\nmood = 'x'\n"))
    assert song.remarks == ("Paper Harbour.song.toml, line 1: sectoins is not used; sections may be meant",)


def test_only_small_regular_text_files_are_read(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path, told in (
        (tmp_path / "pipe", "no regular file"),
        (tmp_path, "no regular file|Is a directory"),
        (tmp_path / "none", "No such file"),
        (Path("/dev/zero"), "no regular file"),
        (write(tmp_path, b"a" * (LARGEST_BYTES + 1), "large"), "larger than 1 MiB"),
        (write(tmp_path, b"title = 'x'\nnotes = '\xff'", "bytes"), "line 2: is no UTF-8"),
        (write(tmp_path, "a = " + "[" * 100_000, "deep"), "deep"),
        (write(tmp_path, "a = " + "9" * 5000, "digits"), "digits"),
        (write(tmp_path, "nudge_ms = nan", "nan"), "outside"),
        (write(tmp_path, "the_1 = 1e400", "huge"), "is no time"),
    ):
        with pytest.raises(FormatError, match=told):
            read_song(path)


def test_control_characters_are_shown_not_obeyed(tmp_path):
    with pytest.raises(FormatError) as error:
        read(tmp_path, 'meters = ["\\u001b[31mbar"]')
    assert "\x1b" not in str(error.value)


def test_a_file_written_afresh_says_the_same(tmp_path):
    known = read(tmp_path, WHOLE)
    assert read(tmp_path, song_text(known)) == known
    assert read(tmp_path, song_text(Corrections())) == Corrections()


def test_what_is_set_changes_and_nothing_else(tmp_path):
    changes = {"the_1": ["0:02.300"], "title": "Harbour", "sections": ["verse 9-24"], "meters": None}
    changed = edited(WHOLE, changes, "x")
    assert tomllib.loads(changed) == {
        key: value for key, value in (tomllib.loads(WHOLE) | changes).items() if value is not None
    }
    for comment in ("# my own words stay", "# invented", "# the second by ear", "# none of pulsefind's business"):
        assert comment in changed
    confirmed = [*tomllib.loads(WHOLE)["confirmed"], {"what": "bars 41-80", "by": "Jon"}]
    assert edited(WHOLE, {"confirmed": confirmed}, "x").startswith(WHOLE)


def test_a_new_key_never_becomes_a_tables():
    lines = (
        "# head",
        "[taps]",
        "# in taps",
        "times = [1, 2, 3, 4]",
        "",
        "# about Ida",
        "[[confirmed]]",
        "what = 1 # c",
    )
    text = "\r\n".join(lines) + "\r\n"
    changed = edited(text, {"nudge_ms": 3.0, "the_1": ["0:01.000"]}, "x")
    assert tomllib.loads(changed) == tomllib.loads(text) | {"nudge_ms": 3.0, "the_1": ["0:01.000"]}
    assert all(line in changed for line in text.splitlines())


def test_what_cannot_be_edited_without_harm_is_refused():
    with pytest.raises(FormatError, match="edit it by hand"):
        edited("x = [\n[1],\n]\n[taps]\n", {"nudge_ms": 1.0}, "x")
    # Half a surrogate pair is no text, and could not be written.
    with pytest.raises(FormatError, match="edit it by hand"):
        edited("", {"title": "\ud800"}, "x")


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="bars 0123456789-:/+heldonuntil.x\u0664", max_size=40))
def test_any_text_is_a_passage_or_refused(text):
    try:
        passage = parse_passage(text)
    except HintError:
        return
    assert parse_passage(passage_text(passage)) == passage


@pytest.mark.parametrize(
    ("text", "beats", "quarters"),
    [("4/4", 4, 4.0), ("7/8", 7, 3.5), ("3+3+2", 8, 4.0), ("2+2+3/8", 7, 3.5), ("12/8", 4, 6.0), ("1/2", 1, 2.0)],
)
def test_a_bar_lasts_what_its_notes_last(text, beats, quarters):
    form = parse_form(text)
    assert (form.beats, form.beats * form.beat_quarters) == (beats, quarters)


def test_the_pattern_comes_round_to_the_end_of_its_passage():
    bridge = (parse_passage("bars 48-65: 2/4 3/8 3/8 3/8 5/8"), parse_passage("bars 70-: 7/8"))
    meters = [form.meter if (form := form_at(bridge, bar)) else "" for bar in range(46, 72)]
    assert meters == ["", "", *(["2/4", "3/8", "3/8", "3/8", "5/8"] * 4)[:18], *[""] * 4, "7/8", "7/8"]


def test_sections_are_named_where_bars_are_taken(tmp_path):
    sections = read(tmp_path, 'sections = ["verse 9-24", "chorus 25-32", "verse 33-48", "verse three 49-50"]').sections
    assert bars_of("Chorus", sections) == "25-32"
    assert bars_of("verse 2", sections) == "33-48"
    assert bars_of("verse  three", sections) == "49-50"
    assert bars_of("9-16", sections) == "9-16"
    assert section_at(sections, 30).name == "chorus" and section_at(sections, 60) is None
    for text, told in (("verse", "say which"), ("verse 3", "has 2 called verse"), ("solo", "names verse, chorus")):
        with pytest.raises(HintError, match=told):
            bars_of(text, sections)


def test_the_file_lies_beside_the_track_or_in_the_users_folder(tmp_path, monkeypatch):
    track, folder = tmp_path / "a.b.flac", tmp_path / "songs"
    folder.mkdir()
    assert find_song(track) is None and find_song(Path()) is None
    mine = write(folder, "", "a.b.song.toml")
    monkeypatch.setenv("PULSEFIND_SONGS", str(folder))
    assert find_song(track) == mine
    beside = write(tmp_path, "", "a.b.song.toml")
    assert find_song(track) == beside == song_path(track)


def test_another_recording_is_noticed(tmp_path):
    known = read(tmp_path, WHOLE)
    assert stranger(known, "ab" * 32, 90.0) is None and not other_sound(known, "ab" * 32)
    assert stranger(known, "cd" * 32, 201.45) is None and other_sound(known, "cd" * 32)
    assert "201.50 s, this one has 203.00 s" in (stranger(known, "cd" * 32, 203.0) or "")
    assert stranger(Corrections(), "cd" * 32, 3.0) is None


def hostile(rng, text):
    """A file damaged as editors, disks and people do it: bytes, words, lines, whole values."""
    data = bytearray(text.encode())
    words = (
        b"nan",
        b"-1",
        b"[[",
        b'"',
        b"\\u0000",
        b"bars 1-: 4/4",
        b"9" * 30,
        b"'''",
        b"= =",
        b"{",
        b"\xff",
        b"\n",
        b"1e999",
    )
    for _ in range(int(rng.choice([1, 1, 2, 5]))):
        at = int(rng.integers(len(data) + 1))
        kind = rng.integers(4)
        if kind == 0:
            word = words[int(rng.integers(len(words)))]
            data[at : at + int(rng.integers(4))] = word
        elif kind == 1:
            del data[at : at + int(rng.integers(1, 30))]
        elif kind == 2:
            data[at:at] = data[at : at + 40]
        else:
            data[at : at + 1] = bytes([int(rng.integers(256))])
    return bytes(data)


def test_500_hostile_files_are_read_or_refused_in_one_line(tmp_path):
    rng = np.random.default_rng(20261127)
    refused = 0
    for _ in range(500):
        path = write(tmp_path, hostile(rng, WHOLE))
        before = path.read_bytes()
        try:
            song = read_song(path)
            assert read(tmp_path / ".", song_text(song.corrections)) == song.corrections
            path.write_bytes(before)
        except PulsefindError as error:
            refused += 1
            assert len(str(error).splitlines()) == 1 and str(error).isprintable()
        assert path.read_bytes() == before
    assert 100 < refused < 490


def test_values_are_those_of_toml(tmp_path):
    known = read(tmp_path, WHOLE)
    assert values_of(known)["meters"][1] == "bars 48-65: 2/4 3/8 3/8 3/8 5/8"


@pytest.mark.parametrize(
    ("fits", "others", "told"),
    [
        ([f"title = '{'x' * 2000}'"], [f"title = '{'x' * 2001}'"], "title: is longer than 2000"),
        ([f"notes = ['{'x' * 2000}']"], [f"notes = ['{'x' * 2001}']"], "notes: holds a text of more than 2000"),
        (["notes = ['x']"], ["notes = ['x', 5]", "notes = [['x']]", "notes = 5"], "notes: write a list of texts"),
        ([f"notes = [{'1,' * 0}]"], [f"notes = [{chr(34) * 2 + ','}{(chr(34) * 2 + ',') * 30_000}]"], "30001 entries"),
        (
            *(["recording = { sha256 = '' }", f"recording = {{ sha256 = '{'aB' * 32}' }}"],),
            *([f"recording = {{ sha256 = {one} }}" for one in (f"'{'ab' * 31}'", f"'{'xy' * 32}'", "5")], "SHA-256"),
        ),
        (
            ["recording = { length_s = 0.5 }", "recording = { length_s = 14400 }"],
            ["recording = { length_s = 14400.5 }", "recording = { length_s = true }"],
            "no length in seconds",
        ),
        (["the_1 = 14400"], ["the_1 = 14400.001"], "beyond four hours"),
        (["bpm = 92", "bpm = 92.5"], ["bpm = true", "bpm = [92]"], "bpm: write a tempo"),
        (["meters = ['bars 1-4: 3/4', 'bar 5: 2/4']"], ["meters = ['bars 1-4: 3/4', 'bar 4: 2/4']"], "begins within"),
        (["sections = ['a 1-4', 'b 5-6']"], ["sections = ['a 1-4', 'b 4-6']"], "b begins in bar 4"),
    ],
)
def test_each_bound_of_the_file_takes_its_last_value_and_no_further_one(fits, others, told, tmp_path):
    for text in fits:
        read(tmp_path, text)
    for text in others:
        with pytest.raises(FormatError, match=told):
            read(tmp_path, text)


def test_counts_of_taps_are_those_of_a_bar(tmp_path):
    for counts in ("[65, 1, 2, 3]", "[0, 1, 2, 3]", "[1, true, 3, 4]", "[1, 2.0, 3, 4]"):
        with pytest.raises(FormatError, match=r"taps.counts: write whole numbers"):
            read(tmp_path, f"[taps]\ntimes = [1.0, 1.5, 2.0, 2.5]\ncounts = {counts}\n")
