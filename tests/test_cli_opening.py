"""Recordings and saved analyses alike: what a command opens, and `pulsefind SONG`."""

import dataclasses

import numpy as np
import pytest
import soundfile
from commands import run
from songs import analysis

from pulsefind.cli import opening
from pulsefind.cli.options import Hints
from pulsefind.core.errors import FormatError, HintError
from pulsefind.core.records import Settings
from pulsefind.listen.audio import load
from pulsefind.saved import to_json

SONG = dataclasses.replace(
    analysis(meters=(4,) * 8, guide=(("2&", 1),)), settings=Settings(meter=(4, 4), start_s=2.0, use_cache=False)
)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with a saved analysis, to work in; its recording isn't there."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "song.json").write_text(to_json(SONG))
    return tmp_path


def test_a_song_without_a_command_is_found(folder, monkeypatch, capsys):
    code, out, _ = run(monkeypatch, capsys, "song.json")
    assert code == 0 and "FOLLOW" in out
    assert run(monkeypatch, capsys, "find", "song.json") == (code, out, "")
    code, _, err = run(monkeypatch, capsys, "none.wav")
    assert code == 2 and "no such file" in err
    code, _, err = run(monkeypatch, capsys, "fnd")
    assert code == 2 and "No such command" in err


@pytest.mark.parametrize(
    ("words", "made"),
    [(("export",), "song.mid"), (("sheet",), "song sheet.html"), (("sheet", "song.json"), "set.html")],
)
def test_files_have_names_without_being_asked(folder, monkeypatch, capsys, words, made):
    code, out, err = run(monkeypatch, capsys, *words, "song.json")
    assert (code, err) == (0, "") and out.startswith(made)
    assert (folder / made).is_file()


def test_what_needs_the_sound_asks_for_the_recording_beside(folder, monkeypatch, capsys):
    for words in (("find", "--meter", "3/4"), ("page",), ("click",), ("hear",), ("sheet", "--one-at", "1")):
        code, out, err = run(monkeypatch, capsys, words[0], "song.json", *words[1:])
        assert code == 2 and out == "" and err.count("\n") == 1
        assert "its recording, song.wav, must lie beside it" in err
    assert [path.name for path in folder.iterdir()] == ["song.json"]


@pytest.mark.parametrize("name", [".", "/", "x/.."])
def test_an_analysis_whose_recording_has_no_name_is_read_all_the_same(folder, monkeypatch, capsys, name):
    named = dataclasses.replace(SONG, track=dataclasses.replace(SONG.track, name=name))
    (folder / "odd.json").write_text(to_json(named))
    code, out, err = run(monkeypatch, capsys, "find", "odd.json")
    assert (code, err) == (0, "") and "FOLLOW" in out
    code, _, err = run(monkeypatch, capsys, "hear", "odd.json")
    assert code == 2 and "must lie beside it" in err and err.count("\n") == 1


def test_pages_of_a_set_that_is_not_there_leave_no_folder(folder, monkeypatch, capsys):
    code, out, err = run(monkeypatch, capsys, "page", "set.toml", "--out", "pages/new")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert [path.name for path in folder.iterdir()] == ["song.json"]


def test_corrections_are_for_one_song(folder, monkeypatch, capsys):
    code, _, err = run(monkeypatch, capsys, "sheet", "song.json", "song.json", "--meter", "3/4")
    assert code == 2 and "corrections are for one song" in err


def test_new_corrections_join_those_that_the_analysis_was_made_with(folder, monkeypatch):
    (folder / "song.wav").write_bytes(b"")
    told = []
    monkeypatch.setattr(opening, "analysed", lambda track, settings, beats_from: told.append((track.name, settings)))
    opening.opened(folder / "song.json", Hints(bpm="80:100"))
    opening.opened(folder / "song.json", Hints(meter="3/4"))
    # Whether the cache was used is no part of what was saved.
    before = dataclasses.replace(SONG.settings, use_cache=True)
    joined = dataclasses.replace(before, bpm_low=80.0, bpm_high=100.0)
    assert told == [("song.wav", joined), ("song.wav", dataclasses.replace(before, meter=(3, 4)))]


def test_another_recording_of_that_name_is_refused(folder):
    soundfile.write(folder / "song.wav", np.zeros(44100), 44100)
    with pytest.raises(FormatError, match="another recording by now"):
        opening.check_same(folder / "song.json", SONG, load(folder / "song.wav"))
    with pytest.raises(HintError, match="beside it"):
        (folder / "song.wav").unlink()
        opening.recording_of(folder / "song.json")
