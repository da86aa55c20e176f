"""No command writes over what it was given, with --force or without; and none waits for an input without end."""

import dataclasses
import json
import os

import numpy as np
import pytest
import soundfile
from commands import run
from songs import analysis

from pulsefind.listen.audio import load
from pulsefind.saved import to_json

SONG = analysis(meters=(4,) * 8, guide=(("2&", 1),))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A song with all that a person may have beside it."""
    monkeypatch.chdir(tmp_path)
    noise = np.random.default_rng(0).normal(0, 0.1, round(SONG.track.duration_s * 44100))
    soundfile.write("song.wav", noise, 44100)
    track = dataclasses.replace(SONG.track, name="song.wav", sha256=load("song.wav").sha256)
    (tmp_path / "song.json").write_text(to_json(dataclasses.replace(SONG, track=track)))
    (tmp_path / "song.song.toml").write_text('title = "Low Tide Letters"\n')
    (tmp_path / "taps.txt").write_text("".join(f"{0.5 * k}\n" for k in range(12)))
    (tmp_path / "history.jsonl").write_text("")
    soundfile.write("take.wav", noise[:44100], 44100)
    return tmp_path


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


WRITING = [
    ("find song.json --out song.json", ""),
    ("find song.json --out song.wav", ""),
    ("find song.json --out song.song.toml", ""),
    ("find song.json --no-song-file --out song.song.toml", ""),
    ("find song.wav --taps taps.txt --out taps.txt", ""),
    ("find song.wav --from taps.txt --out taps.txt", ""),
    ("find song.wav --song-file song.song.toml --out song.song.toml", ""),
    ("click song.wav --analysis song.json --out song.wav", ""),
    ("click song.wav --analysis song.json --ladder --out .", ""),
    ("click song.wav --analysis renamed.wav --out renamed.wav", "song.json renamed.wav"),
    ("hear song.json --out song.wav", ""),
    ("hear song.wav --analysis renamed.wav --out renamed.wav", "song.json renamed.wav"),
    ("export taps.mid --from taps.mid --to midi --out taps", "song.wav taps.mid"),
    ("export song.wav --from song.beats.txt --to beats", "taps.txt song.beats.txt"),
    ("page song.json --take review.html --out review.html", "song.json review.html"),
    ("page song.json --take song.json --history h.html --out h.html", "history.jsonl h.html"),
    ("sheet song.json --song-file s.html --out s.html", "song.song.toml s.html"),
    ("take song.json take.wav --out song.json", ""),
    ("take song.json take.wav --out take.wav", ""),
    ("take song.json take.wav --history history.jsonl --out history.jsonl", ""),
    ("take song.json take.wav --history new.jsonl --out new.jsonl", ""),
    ("merge song.song.toml other.toml --out other.toml", "song.song.toml other.toml"),
]


@pytest.mark.parametrize(("words", "renamed"), WRITING)
def test_inputs_stay_as_they_are(words, renamed, folder, monkeypatch, capsys):
    if renamed:
        before, after = renamed.split()
        (folder / after).write_bytes((folder / before).read_bytes())
    before = contents(folder)
    code, _, err = run(monkeypatch, capsys, *words.split(), "--force")
    assert contents(folder) == before
    assert code == 2 and err.rstrip().split("\n")[-1].startswith("pulsefind: ")
    assert "is what is read" in err or "holds what is read" in err


@pytest.mark.parametrize(
    "words",
    [
        "find song.wav --taps {}",
        "find song.wav --from {}",
        "find song.wav --song-file {}",
        "click song.wav --analysis {}",
        "page song.json --take {}",
        "take song.json take.wav --history {}",
        "take song.json {}",
        "find {}",
        "merge song.song.toml {} --out new.toml",
        "sheet {}",
    ],
)
@pytest.mark.parametrize("endless", ["pipe", "/dev/zero", "pipe.json", "pipe.toml"])
def test_inputs_without_end_are_refused_at_once(words, endless, folder, monkeypatch, capsys):
    if not endless.startswith("/"):
        os.mkfifo(endless)
    code, _, err = run(monkeypatch, capsys, *words.format(endless).split())
    assert code == 2 and err.rstrip().count("\n") <= 1 and ("regular file" in err or "ordinary file" in err)


@pytest.mark.parametrize("name", ["with\u2028line", "with\u0085next"])
def test_a_history_is_read_with_any_name_in_it(name, folder):
    from pulsefind.take.history import TakeEntry, append_take, read_history

    entry = TakeEntry(1, "2026-11-27T10:00:00+00:00", "", name, name, 3, None, 1.5, 0, None, None, None)
    for _ in range(2):
        append_take(folder / "history.jsonl", entry)
    assert read_history(folder / "history.jsonl") == (entry, entry)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("spread_ms", "wide"),
        ("spread_ms", None),
        ("spread_ms", True),
        ("spread_ms", 10**400),
        ("reviewed_at", 5),
        ("worst_alone_ms", []),
        ("track_sha256", None),
        ("hits", 1.5),
        ("schema", [1]),
    ],
)
def test_a_line_of_wrong_types_is_told(field, value, folder, monkeypatch, capsys):
    from pulsefind.core.errors import FormatError
    from pulsefind.take.history import TakeEntry, append_take, read_history

    path = folder / "history.jsonl"
    append_take(path, TakeEntry(1, "2026-11-27T10:00:00+00:00", "", "a", "b", 3, None, 1.5, 0, None, None, None))
    line = json.loads(path.read_text())
    path.write_text(json.dumps({**line, field: value}) + "\n")
    with pytest.raises(FormatError, match="line 1 is no take of a history"):
        read_history(path)
