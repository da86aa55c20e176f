"""Every supported layout as a small made-up folder, read by the code that reads the real set; and each fault."""

import hashlib
import json
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from eval.sets.annotations import counts_from_ones
from eval.sets.datasets import SETS, FilesLayout, MirdataLayout, how_to_get
from eval.sets.loaders import MissingSetError, load_set
from pulsefind.core.errors import FormatError

SECONDS = 6.0
BEATS = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
COUNTS = [4, 1, 2, 3, 4, 1]


def write_audio(path: Path, seconds: float = SECONDS) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, np.zeros(int(8000 * seconds)), 8000)
    return path


def write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def plain_rows(beats=BEATS, counts=COUNTS, between="\t") -> str:
    return "".join(f"{t}{between}{c}\n" for t, c in zip(beats, counts, strict=True))


def plain_set(root: Path, name: str = "mine", rows: str | None = None, drums: str | None = None) -> Path:
    write_audio(root / name / "audio" / "one.wav")
    write(root / name / "beats" / "one.beats", plain_rows() if rows is None else rows)
    if drums is not None:
        write(root / name / "drums" / "one.txt", drums)
    return root


# The plain layout


def test_plain_layout_gives_beats_counts_and_drums(tmp_path):
    (track,) = load_set("mine", plain_set(tmp_path, drums="0.5\tKD\n0.5\tHH\n1.0\tSD\n"))
    assert track.reference.beat_s.tolist() == BEATS
    assert track.reference.count.tolist() == COUNTS
    assert {name: hits.tolist() for name, hits in track.reference.drums.items()} == {
        "HH": [0.5],
        "KD": [0.5],
        "SD": [1.0],
    }
    assert (track.kind, track.has_drums, track.duration_s) == ("unknown", True, SECONDS)


def test_known_plain_sets_know_their_kind_and_genre(tmp_path):
    write_audio(tmp_path / "arranger_render" / "audio" / "waltz_drift.wav")
    write(tmp_path / "arranger_render" / "beats" / "waltz_drift.beats", plain_rows())
    (track,) = load_set("arranger_render", tmp_path)
    assert (track.kind, track.genre, track.has_drums) == ("rendered", "waltz", True)


def test_plain_layout_gives_the_onsets_of_instruments_where_they_are_known(tmp_path):
    root = plain_set(tmp_path)
    write(root / "mine" / "onsets" / "one.txt", "0.5\tbass\n0.5\tguitar\n1.0\tbass\n")
    (track,) = load_set("mine", root)
    assert track.reference.drums is None and track.has_drums is None
    assert {name: hits.tolist() for name, hits in track.reference.struck.items()} == {
        "bass": [0.5, 1.0],
        "guitar": [0.5],
    }


def test_an_empty_drum_file_is_a_recording_without_drums(tmp_path):
    (track,) = load_set("mine", plain_set(tmp_path, drums=""))
    assert track.reference.drums == {} and track.has_drums is False


# Beat files beside the user's own recordings


def files_set(root: Path, name: str) -> None:
    folder = root / name
    if name == "harmonix":
        rows = "".join(f"{t}\t{c}\t1\n" for t, c in zip(BEATS, COUNTS, strict=True))
        write(folder / "dataset" / "beats_and_downbeats" / "0001_song.txt", rows)
        write_audio(folder / "audio" / "0001_song.wav")
    elif name == "smc":
        write(folder / "SMC_MIREX_Annotations" / "SMC_001_2_1_1_a.txt", "".join(f"{t}\n" for t in BEATS))
        write_audio(folder / "SMC_MIREX_Audio" / "SMC_001.wav")
    elif name == "tapcorrect":
        write(folder / "annotations" / "song.csv", "".join(f"{t}\n" for t in BEATS))
        write_audio(folder / "audio" / "song.wav")
    elif name == "hjdb":
        write(folder / "annotations" / "song.beats", plain_rows())
        write_audio(folder / "audio" / "song.wav")
    elif name == "jaah":
        parts = [{"name": "A", "beats": BEATS[:4]}, {"name": "B", "parts": [{"beats": BEATS[4:]}]}]
        write(folder / "annotations" / "song.json", json.dumps({"metre": "4/4", "parts": parts}))
        write_audio(folder / "audio" / "song.wav")
    elif name == "asap":
        labels = ["db,4/4" if c == 1 else "b" for c in COUNTS]
        rows = "".join(f"{t}\t{t}\t{label}\n" for t, label in zip(BEATS, labels, strict=True))
        write(folder / "Composer" / "Piece" / "Player01_annotations.txt", rows)
        write_audio(folder / "Composer" / "Piece" / "Player01.wav")


FILE_SETS = sorted(name for name, info in SETS.items() if isinstance(info.layout, FilesLayout))


@pytest.mark.parametrize("name", FILE_SETS)
def test_beat_files_with_owned_recordings(tmp_path, name):
    files_set(tmp_path, name)
    (track,) = load_set(name, tmp_path)
    assert track.reference.beat_s.tolist() == BEATS
    expected = {
        "harmonix": COUNTS,
        "hjdb": COUNTS,
        "smc": None,
        "tapcorrect": None,
        "jaah": [1, 2, 3, 4, 1, 2],
        # The pickup leads up to the first 1 in the first bar's meter.
        "asap": COUNTS,
    }[name]
    assert (None if track.reference.count is None else track.reference.count.tolist()) == expected


def test_file_layouts_are_all_tested():
    assert FILE_SETS == ["asap", "harmonix", "hjdb", "jaah", "smc", "tapcorrect"]


@pytest.mark.parametrize(
    ("ones", "expected"),
    [
        ([0, 0, 1, 0, 0, 0, 1, 0], [3, 4, 1, 2, 3, 4, 1, 2]),
        ([1, 0, 0, 1, 0], [1, 2, 3, 1, 2]),
        ([0, 0, 0], [1, 2, 3]),
    ],
)
def test_counts_follow_from_the_ones(ones, expected):
    assert counts_from_ones(np.array(ones, dtype=bool)).tolist() == expected


# Through mirdata


def index_name(name: str) -> str:
    pytest.importorskip("mirdata", reason="mirdata isn't installed")
    return f"{name}_index.json"


def midi_with_drums(path: Path) -> Path:
    pretty_midi = pytest.importorskip("pretty_midi", reason="pretty_midi isn't installed")
    midi = pretty_midi.PrettyMIDI(initial_tempo=120)
    midi.time_signature_changes.append(pretty_midi.TimeSignature(4, 4, 0))
    kit = pretty_midi.Instrument(0, is_drum=True)
    kit.notes = [pretty_midi.Note(100, 36, t, t + 0.1) for t in (0.0, 1.0, 2.0, 3.0)]
    midi.instruments.append(kit)
    path.parent.mkdir(parents=True, exist_ok=True)
    midi.write(str(path))
    return path


# For each set: the track id, its index entry (key to path), and the text of its beats.
COUNTED_TAB = plain_rows()
COUNTED_COMMA = plain_rows(between=",")
GUITAR_BEATS = json.dumps(
    {
        "annotations": [
            {
                "namespace": "beat_position",
                "data": [{"time": t, "value": {"position": c}} for t, c in zip(BEATS, COUNTS, strict=True)],
            }
        ]
    }
)
JTD_BEATS = "number,beat,piano,bass,drums,metre\n" + "".join(
    f"{k},{t},,,,{c}\n" for k, (t, c) in enumerate(zip(BEATS, COUNTS, strict=True))
)
RWC_BEATS = "".join(
    f"{int(100 * t)}\t{int(100 * t) + 50}\t{384 if c == 1 else 48 * (c - 1)}\n"
    for t, c in zip(BEATS, COUNTS, strict=True)
)
MIRDATA_FILES = {
    "ballroom": (
        "Media-1",
        {"audio": "B_1.0/audio/Samba/Media-1.wav", "beats": "b/Media-1.beats"},
        plain_rows(between=" "),
    ),
    "beatles": (
        "0101",
        {"audio": "audio/01.wav", "beat": "beat/01.txt", "sections": "sections/01.lab"},
        "".join(f"{t} {c}\n" for t, c in zip(BEATS, COUNTS, strict=True)),
    ),
    "brid": ("x", {"audio": "Data/x.wav", "beats": "Annotations/x.beats"}, COUNTED_TAB),
    "candombe": (
        "x",
        {"audio": "x.wav", "beats": "x.csv"},
        "".join(f"{t},1.{c}\n" for t, c in zip(BEATS, COUNTS, strict=True)),
    ),
    "compmusic_carnatic_rhythm": ("1", {"audio": "a/1.wav", "beats": "b/1.beats"}, COUNTED_COMMA),
    "compmusic_hindustani_rhythm": ("1", {"audio": "a/1.wav", "beats": "b/1.beats"}, COUNTED_COMMA),
    "cuidado": ("x", {"audio": "x.wav", "beats": "x.beats"}, "".join(f"{t}\n" for t in BEATS)),
    "groove_midi": ("drummer1/session1/1", {"audio": "d/1.wav", "midi": "d/1.mid"}, None),
    "gtzan_genre": ("blues.00000", {"audio": "g/blues.00000.wav", "beats": "j/blues.beats"}, COUNTED_TAB),
    "guitarset": ("00_BN1-129-Eb_comp", {"audio_mic": "m/x.wav", "jams": "annotation/x.jams"}, GUITAR_BEATS),
    "hainsworth": ("x", {"audio": "x.wav", "beats": "x.beats"}, COUNTED_TAB),
    "jtd": ("song", {"audio": "x.wav", "beats": "x.csv"}, JTD_BEATS),
    "rwc_classical": ("RM-C001", {"audio": "a/1.wav", "beats": "b/RM-C001.BEAT.TXT"}, RWC_BEATS),
    "rwc_jazz": ("RM-J001", {"audio": "a/1.wav", "beats": "b/RM-J001.BEAT.TXT"}, RWC_BEATS),
    "rwc_popular": ("RM-P001", {"audio": "a/1.wav", "beats": "b/RM-P001.BEAT.TXT"}, RWC_BEATS),
    "simac": ("x", {"audio": "x.wav", "beats": "x.beats"}, "".join(f"{t}\n" for t in BEATS)),
}
OTHER_KEYS = (
    *("tempo", "chords", "keys", "sections", "meter", "audio_hex", "audio_hex_cln", "audio_mix", "voca_inst"),
    *("audio-lchan", "audio-rchan", "metadata", "midi", "onsets"),
)
MIRDATA_SETS = sorted(name for name, info in SETS.items() if isinstance(info.layout, MirdataLayout))


def mirdata_set(root: Path, name: str, text: str | None = None, checksum: bool = True) -> Path:
    """Write a set as mirdata lays it out, with an index of one track, and return its beats file."""
    folder = root / name
    track_id, files, beats_text = MIRDATA_FILES[name]
    annotation = folder
    for key, relative in files.items():
        path = folder / relative
        if key.startswith("audio"):
            write_audio(path)
        elif key == "midi":
            annotation = midi_with_drums(path)
        elif key == "sections":
            write(path, "")
        else:
            annotation = write(path, beats_text if text is None else text)

    def entry(relative: str) -> list[str]:
        return [relative, hashlib.md5((folder / relative).read_bytes()).hexdigest() if checksum else "0" * 32]

    index = {key: [None, None] for key in OTHER_KEYS} | {key: entry(relative) for key, relative in files.items()}
    group = "multitracks" if name == "jtd" else "tracks"
    whole = {"version": "1", "tracks": {}, group: {track_id: index | ({"tracks": []} if name == "jtd" else {})}}
    write(folder / index_name(name), json.dumps(whole))
    return annotation


def test_mirdata_layouts_are_all_tested():
    assert sorted(MIRDATA_FILES) == MIRDATA_SETS


@pytest.mark.parametrize("name", MIRDATA_SETS)
def test_sets_through_mirdata(tmp_path, name):
    mirdata_set(tmp_path, name)
    (track,) = load_set(name, tmp_path)
    beats, counts = track.reference.beat_s, track.reference.count
    if name == "groove_midi":
        assert beats.tolist() == pytest.approx([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0])
        assert counts.tolist() == [1, 2, 3, 4, 1, 2, 3]
        assert track.reference.drums["Kick"].tolist() == pytest.approx([0.0, 1.0, 2.0, 3.0])
        return
    assert beats.tolist() == pytest.approx(BEATS)
    if name in ("cuidado", "simac"):
        assert counts is None
    else:
        assert counts.tolist() == COUNTS
    if name == "ballroom":
        assert track.genre == "samba"


@pytest.mark.parametrize("name", [n for n in MIRDATA_SETS if SETS[n].layout.rows is not None])
def test_a_malformed_row_of_a_mirdata_set_names_file_and_line(tmp_path, name):
    text = MIRDATA_FILES[name][2]
    lines = text.splitlines()
    separator = SETS[name].layout.rows.separator or next(c for c in lines[2] + "\t" if c in " \t")
    fields = lines[2].split(separator)
    fields[SETS[name].layout.rows.time_column] = "what?"
    lines[2] = separator.join(fields)
    path = mirdata_set(tmp_path, name, "\n".join(lines) + "\n")
    with pytest.raises(FormatError, match=f"{path.name}, line 3: "):
        load_set(name, tmp_path)


def test_a_file_that_differs_from_the_published_checksum_stops(tmp_path):
    path = mirdata_set(tmp_path, "hainsworth", checksum=False)
    with pytest.raises(FormatError, match=r"differs from the published file"):
        load_set("hainsworth", tmp_path)
    assert path.exists()


def test_a_missing_mirdata_index_says_what_to_do(tmp_path):
    mirdata_set(tmp_path, "brid")
    (tmp_path / "brid" / index_name("brid")).unlink()
    with pytest.raises(FormatError, match=r"list of the set's files is missing"):
        load_set("brid", tmp_path)


def test_without_mirdata_its_sets_say_what_to_install(tmp_path, monkeypatch):
    (tmp_path / "brid").mkdir()
    monkeypatch.setitem(sys.modules, "mirdata", None)
    with pytest.raises(FormatError, match=r"brid: needs mirdata, which isn't installed; run pip install"):
        load_set("brid", tmp_path)


def test_two_indexes_of_one_set_stop(tmp_path):
    mirdata_set(tmp_path, "brid")
    write(tmp_path / "brid" / "another_index.json", "{}")
    with pytest.raises(FormatError, match=r"holds several index files"):
        load_set("brid", tmp_path)


def test_a_missing_recording_of_a_mirdata_set_stops(tmp_path):
    mirdata_set(tmp_path, "brid")
    (tmp_path / "brid" / "Data" / "x.wav").unlink()
    with pytest.raises(FormatError, match=r"x\.wav: the recording of x is missing"):
        load_set("brid", tmp_path)


# Faults, each one clear line


BAD_ROWS = {
    "wrong columns": ("0.5\t1\n1.0\t2\t3\n", r"one\.beats, line 2: 3 columns where 2 are needed"),
    "no number": ("0.5\t1\nhalf\t2\n", r"one\.beats, line 2: the time 'half' is not a number"),
    "nan": ("0.5\t1\nnan\t2\n", r"one\.beats, line 2: the time is 'nan'"),
    "infinite": ("0.5\t1\ninf\t2\n", r"one\.beats, line 2: the time is 'inf'"),
    "unsorted": ("1.0\t1\n0.5\t2\n", r"one\.beats, line 2: 0\.5 s comes after 1 s; times must increase"),
    "twice the same": ("1.0\t1\n1.0\t2\n", r"one\.beats, line 2: 1 s comes after 1 s"),
    "beyond the end": ("0.5\t1\n7.0\t2\n", r"one\.beats, line 2: 7 s lies beyond the end of the recording \(6\.00 s\)"),
    "before the start": ("-0.5\t1\n", r"one\.beats, line 1: -0\.5 s lies before the start"),
    "count of nought": ("0.5\t0\n", r"one\.beats, line 1: the count '0' must be a whole number of 1 or more"),
    "broken count": ("0.5\t1.5\n", r"one\.beats, line 1: the count '1\.5' must be a whole number"),
    "no beat": ("\n\n", r"one\.beats: holds no beat"),
}


@pytest.mark.parametrize("fault", BAD_ROWS)
def test_malformed_beats_stop_with_one_line(tmp_path, fault):
    rows, message = BAD_ROWS[fault]
    with pytest.raises(FormatError, match=message) as caught:
        load_set("mine", plain_set(tmp_path, rows=rows))
    assert "\n" not in str(caught.value)


BAD_DRUMS = {
    "wrong columns": ("0.5\n", r"one\.txt, line 1: 1 columns where 2 are needed"),
    "no number": ("x\tKD\n", r"one\.txt, line 1: the time 'x' is not a number"),
    "unsorted": ("1.0\tKD\n0.5\tSD\n", r"one\.txt, line 2: 0\.5 s comes after 1 s"),
    "beyond the end": ("9.0\tKD\n", r"one\.txt, line 1: 9 s lies beyond the end"),
}


@pytest.mark.parametrize("fault", BAD_DRUMS)
def test_malformed_drums_stop_with_one_line(tmp_path, fault):
    rows, message = BAD_DRUMS[fault]
    with pytest.raises(FormatError, match=message):
        load_set("mine", plain_set(tmp_path, drums=rows))


def test_missing_audio_stops(tmp_path):
    plain_set(tmp_path)
    (tmp_path / "mine" / "audio" / "one.wav").unlink()
    with pytest.raises(FormatError, match=r"the recording of one is missing"):
        load_set("mine", tmp_path)


def test_two_recordings_of_one_name_stop(tmp_path):
    write_audio(plain_set(tmp_path) / "mine" / "audio" / "one.flac")
    with pytest.raises(FormatError, match=r"one has several recordings \(one\.wav, one\.flac\)"):
        load_set("mine", tmp_path)


def test_audio_that_is_none_stops(tmp_path):
    plain_set(tmp_path)
    (tmp_path / "mine" / "audio" / "one.wav").write_text("no sound")
    with pytest.raises(FormatError, match=r"one\.wav: can't be read as audio"):
        load_set("mine", tmp_path)


def test_an_annotation_that_is_no_text_stops(tmp_path):
    plain_set(tmp_path)
    (tmp_path / "mine" / "beats" / "one.beats").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(FormatError, match=r"isn't a text file"):
        load_set("mine", tmp_path)


JAAH_FAULTS = {
    "no JSON": ("{", r"isn't readable JSON"),
    "no beats": (json.dumps({"metre": "4/4", "parts": []}), r"holds no beat"),
    "unsorted": (json.dumps({"parts": [{"beats": [1.0, 0.5]}]}), r"beat 2 \(0\.5 s\) doesn't come after"),
    "nan": ('{"parts": [{"beats": [1.0, NaN]}]}', r"beat 2 \(nan s\) doesn't come after"),
    "outside": (json.dumps({"parts": [{"beats": [1.0, 60.0]}]}), r"beats lie outside the recording"),
    "odd metre": (json.dumps({"metre": "four", "parts": [{"beats": [1.0]}]}), r"metre 'four' isn't of the form 4/4"),
    "text for beats": (json.dumps({"parts": [{"beats": ["1.0"]}]}), r"beats must be a list of times"),
}


@pytest.mark.parametrize("fault", JAAH_FAULTS)
def test_malformed_parts_stop(tmp_path, fault):
    text, message = JAAH_FAULTS[fault]
    files_set(tmp_path, "jaah")
    write(tmp_path / "jaah" / "annotations" / "song.json", text)
    with pytest.raises(FormatError, match=message):
        load_set("jaah", tmp_path)


ASAP_FAULTS = {
    "wrong columns": ("0.5\tdb\n", r"line 1: 2 columns where 3 are needed"),
    "odd label": ("0.5\t0.5\tx\n", r"line 1: the label 'x' starts with neither b nor db"),
    "unsorted": ("1\t1\tdb\n0.5\t0.5\tb\n", r"line 2: 0\.5 s comes after 1 s"),
    "empty": ("", r"holds no beat"),
}


@pytest.mark.parametrize("fault", ASAP_FAULTS)
def test_malformed_labels_stop(tmp_path, fault):
    text, message = ASAP_FAULTS[fault]
    files_set(tmp_path, "asap")
    write(tmp_path / "asap" / "Composer" / "Piece" / "Player01_annotations.txt", text)
    with pytest.raises(FormatError, match=message):
        load_set("asap", tmp_path)


# Sets that aren't there


@pytest.mark.parametrize("name", sorted(SETS))
def test_a_missing_set_says_what_to_get_and_how_to_lay_it_out(tmp_path, name):
    with pytest.raises(MissingSetError) as caught:
        load_set(name, tmp_path)
    message = str(caught.value)
    assert SETS[name].source in message and SETS[name].licence in message and "layout: " in message
    assert "\n" not in message and "://" not in message
    assert message.endswith(how_to_get(SETS[name]))


def test_an_unknown_missing_set_lists_the_known_ones(tmp_path):
    with pytest.raises(MissingSetError, match=r"known sets: .*ballroom"):
        load_set("balroom", tmp_path)


def test_an_empty_set_stops(tmp_path):
    (tmp_path / "mine").mkdir()
    with pytest.raises(MissingSetError, match=r"holds no annotated recording"):
        load_set("mine", tmp_path)


def test_every_set_and_its_licence_stand_in_datasets_md():
    text = (Path(__file__).parent.parent / "datasets.md").read_text()
    for name, info in SETS.items():
        row = next((line for line in text.splitlines() if line.startswith(f"| `{name}` ")), None)
        assert row is not None, name
        assert info.licence.replace("`", "") in row.replace("`", ""), name
