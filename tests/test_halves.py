"""Half a recording never passes for the whole: joined files are read to their end, and what is cut is said."""

import dataclasses
import subprocess

import numpy as np
import pytest
import soundfile
from commands import run
from songs import analysis

from pulsefind.analysis import analyse
from pulsefind.core.words import ENDS_EARLY
from pulsefind.demo import RATE_HZ
from pulsefind.listen.audio import load
from pulsefind.page.sheet import sheet_html
from pulsefind.report.terminal import report
from pulsefind.saved import from_json, to_json

LENGTH_S = 8.0
KINDS = ("wav", "aiff", "flac", "ogg", "mp3", "opus")


def encoded(folder, kind):
    """Eight seconds of noise as a file of that kind."""
    noise = np.random.default_rng(0).normal(0, 0.1, (round(LENGTH_S * 44100), 2))
    soundfile.write(folder / "whole.wav", noise, 44100)
    path = folder / f"whole.{kind}"
    if kind == "opus":
        command = ["ffmpeg", "-v", "error", "-i", folder / "whole.wav", "-c:a", "libopus", path]
        subprocess.run(command, check=True)
    elif kind != "wav":
        soundfile.write(path, noise, 44100)
    return path


@pytest.mark.parametrize("kind", KINDS)
def test_a_whole_file_has_no_warning(kind, tmp_path):
    audio = load(encoded(tmp_path, kind))
    assert audio.warnings == () and audio.duration_s == pytest.approx(LENGTH_S, abs=0.1)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("share", [0.3, 0.5, 0.9])
def test_a_cut_file_says_so_once(kind, share, tmp_path):
    path = encoded(tmp_path, kind)
    data = path.read_bytes()
    path.write_bytes(data[: round(share * len(data))])
    audio = load(path)
    assert audio.duration_s == pytest.approx(share * LENGTH_S, abs=0.7)
    (warning,) = audio.warnings
    assert warning.startswith(ENDS_EARLY) and "\n" not in warning


@pytest.mark.parametrize("kind", ["flac", "ogg", "mp3", "opus"])
def test_joined_files_are_read_to_the_end_of_the_last(kind, tmp_path):
    path = encoded(tmp_path, kind)
    path.write_bytes(2 * path.read_bytes())
    audio = load(path)
    # At a join an encoder's padding and a decoder's lost frame differ.
    assert audio.duration_s == pytest.approx(2 * LENGTH_S, abs=0.3) and audio.warnings == ()


@pytest.mark.parametrize("kind", ["wav", "aiff"])
def test_a_file_joined_to_one_that_states_its_size_is_said_once(kind, tmp_path):
    """Neither libsndfile nor ffmpeg reads on there, so what isn't read is told."""
    path = encoded(tmp_path, kind)
    path.write_bytes(2 * path.read_bytes())
    audio = load(path)
    assert audio.duration_s == pytest.approx(LENGTH_S)
    (warning,) = audio.warnings
    assert warning.startswith(ENDS_EARLY) and "joined" in warning and "\n" not in warning


@pytest.mark.parametrize("tail", [b"\0" * 100, b"RIFF", b"LIST\x04\0\0\0abcd", b"RIFF\x04\0\0\0AVI "])
def test_what_follows_a_whole_file_and_is_no_recording_is_not_missed(tail, tmp_path):
    path = encoded(tmp_path, "wav")
    path.write_bytes(path.read_bytes() + tail)
    assert load(path).warnings == ()


def test_a_chunk_of_odd_size_before_a_joined_file_is_padded(tmp_path):
    path = encoded(tmp_path, "wav")
    data = path.read_bytes()
    size = (len(data) - 8 + 8 + 3).to_bytes(4, "little")
    path.write_bytes(data[:4] + size + data[8:] + b"note\x03\0\0\0abc\0" + data)
    assert len(load(path).warnings) == 1


@pytest.fixture
def cut_song(demo_song, tmp_path, monkeypatch):
    """The first 20 seconds of the made song as FLAC, cut after about twelve."""
    monkeypatch.chdir(tmp_path)
    soundfile.write("song.flac", demo_song[0][: 20 * RATE_HZ], RATE_HZ)
    data = (tmp_path / "song.flac").read_bytes()
    (tmp_path / "song.flac").write_bytes(data[: round(0.6 * len(data))])
    return tmp_path / "song.flac"


@pytest.mark.parametrize("words", [(), ("--speed", "0.75"), ("--range", "0:02-0:05")])
def test_a_click_on_a_cut_flac_plays_what_is_there_and_says_so_once(words, cut_song, monkeypatch, capsys):
    code, out, err = run(monkeypatch, capsys, "click", "song.flac", *words, "--count-in", "0", "--out", "a.wav")
    assert (code, err) == (0, "") and " ".join(out.split()).count(ENDS_EARLY) == 1
    if not words:
        assert soundfile.info("a.wav").duration == pytest.approx(load(cut_song).duration_s, abs=0.6)


def test_hear_page_and_export_take_a_cut_flac_too(cut_song, monkeypatch, capsys):
    for words in (("hear", "--out", "b.wav"), ("page", "--out", "a.html"), ("export", "--out", "a")):
        code, _, err = run(monkeypatch, capsys, words[0], "song.flac", *words[1:])
        assert (code, err) == (0, ""), words
    assert ENDS_EARLY in (cut_song.parent / "a.html").read_text()


def test_report_sheet_and_json_carry_the_warning(tmp_path):
    path = encoded(tmp_path, "wav")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 8])
    found = analyse(path)
    assert sum(said.startswith(ENDS_EARLY) for said in found.warnings) == 1
    song = dataclasses.replace(analysis(meters=(4,) * 8, guide=(("2&", 1),)), warnings=found.warnings[-1:])
    for one in (found, song):
        assert [said for said in from_json(to_json(one)).warnings if said.startswith(ENDS_EARLY)]
        assert ENDS_EARLY in " ".join(report(one).split())
        assert ENDS_EARLY.lower() in sheet_html(iter([one]), "a4", None).lower()


@pytest.mark.parametrize(
    "words", [("click", "song.wav", "--analysis", "song.json"), ("click", "song.json"), ("hear", "song.json")]
)
def test_an_analysis_of_another_recording_of_that_name_is_refused(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    song = analysis(meters=(4,) * 8, guide=(("2&", 1),))
    soundfile.write("song.wav", np.random.default_rng(1).normal(0, 0.1, round(song.track.duration_s * 44100)), 44100)
    track = dataclasses.replace(song.track, name="song.wav", sha256="0" * 64)
    (tmp_path / "song.json").write_text(to_json(dataclasses.replace(song, track=track)))
    code, _, err = run(monkeypatch, capsys, *words, "--out", "out.wav")
    assert code == 2 and "another recording" in err and not (tmp_path / "out.wav").exists()
