"""The program as a person meets it: lines, exit codes, files."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from pulsefind.demo import FILE_NAME


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return tmp_path_factory.mktemp("home")


@pytest.fixture(scope="module")
def run(home):
    def call(*arguments, cwd=home):
        environment = {**os.environ, "PULSEFIND_CACHE": str(home / "cache"), "COLUMNS": "80"}
        command = [sys.executable, "-m", "pulsefind", *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, cwd=cwd, env=environment, check=False)

    return call


@pytest.fixture(scope="module")
def demo_run(run):
    return run("demo", "my demo")


@pytest.fixture(scope="module")
def song(demo_run, home):
    return home / "my demo" / FILE_NAME


def complaint(result):
    """The one line on stderr of a run that refused."""
    assert result.returncode == 2, result
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("pulsefind: ")
    return lines[0]


def test_demo_shows_the_report_beside_the_truth(demo_run, song):
    assert demo_run.returncode == 0, demo_run.stderr
    assert demo_run.stderr == ""
    assert song.exists()
    assert "on 1e and 3a" in demo_run.stdout
    assert "97 of them found" in demo_run.stdout
    assert "shaker     on 2& and 4&: found" in demo_run.stdout
    assert "string     on 1e and 3a: found" in demo_run.stdout
    assert "invented" in demo_run.stdout
    assert "pulsefind find SONG.mp3" in demo_run.stdout


def test_demo_does_not_replace_another_file(run, home):
    (home / "other").mkdir()
    (home / "other" / FILE_NAME).write_text("mine")
    assert "--force" in complaint(run("demo", "other"))
    assert (home / "other" / FILE_NAME).read_text() == "mine"


def test_the_report_fits_80_columns_and_answers_in_order(run, song):
    result = run("find", song)
    assert result.returncode == 0
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    order = ["Tempo", "Feel", "Count-in", "The 1", "FOLLOW", "Count  ", "Also", "How sure", "Wrong?"]
    found = [result.stdout.index(f"\n{word}") for word in order]
    assert found == sorted(found)
    assert "\x1b" not in result.stdout


def test_json_goes_to_stdout_and_out_writes_it(run, song, home):
    result = run("find", song, "--json", "--out", "a.json")
    assert result.returncode == 0, result.stderr
    assert json.loads(result.stdout) == json.loads((home / "a.json").read_text())
    assert "exists already" in complaint(run("find", song, "--out", "a.json"))
    assert run("find", song, "--out", "a.json", "--force").returncode == 0


def test_hints_are_understood_or_refused(run, song):
    assert "3/4" in run("find", song, "--meter", "3/4").stdout
    assert "--meter 4/5" in complaint(run("find", song, "--meter", "4/5"))
    assert "--bpm fast" in complaint(run("find", song, "--bpm", "fast"))
    assert "--one-at x" in complaint(run("find", song, "--one-at", "x"))
    assert "--range 9" in complaint(run("find", song, "--range", "9"))
    assert "holds no sound" in complaint(run("find", song, "--range", "5:00-6:00"))


def test_broken_inputs_end_in_one_line(run, home):
    (home / "empty.wav").write_bytes(b"")
    (home / "text.wav").write_text("no music here\n" * 50)
    bad = np.zeros(44100, np.float32)
    bad[7] = np.inf
    soundfile.write(home / "nan.wav", bad, 44100, subtype="FLOAT")
    assert "empty" in complaint(run("find", "empty.wav"))
    assert "text.wav" in complaint(run("find", "text.wav"))
    assert "not numbers" in complaint(run("find", "nan.wav"))
    assert "no such file" in complaint(run("find", "missing.wav"))
    assert "folder" in complaint(run("hear", "."))


def test_a_folder_of_broken_files_is_told_file_by_file(run, home):
    (home / "set").mkdir()
    (home / "set" / "empty.wav").write_bytes(b"")
    (home / "set" / "text.wav").write_text("no music here\n" * 50)
    result = run("find", "set")
    assert result.returncode == 2
    assert "Traceback" not in result.stderr
    told = [line for line in result.stdout.splitlines() if "not read:" in line]
    assert ["empty.wav" in told[0], "text.wav" in told[1]] == [True, True]


@pytest.mark.parametrize("kind", ["silence", "short", "noise"])
def test_sound_without_a_beat_ends_well(run, home, kind):
    rng = np.random.default_rng(3)
    samples = {"silence": np.zeros(88200), "short": rng.normal(size=8820) * 0.1, "noise": rng.normal(size=220500) * 0.1}
    soundfile.write(home / f"{kind}.wav", samples[kind], 44100)
    result = run("find", f"{kind}.wav")
    assert result.returncode == 0, result.stderr
    assert kind == "noise" or "silent" in result.stdout or "no steady beat found" in result.stdout


def test_odd_names_are_shown_safely(run, song, home):
    odd = home / 'it\'s "ünï" \x1b[31m & <b>.flac'
    odd.write_bytes(song.read_bytes())
    result = run("find", odd)
    assert result.returncode == 0, result.stderr
    assert "\x1b" not in result.stdout
    (home / "-v.flac").write_bytes(song.read_bytes())
    assert run("find", "--", "-v.flac").returncode == 0


def test_version_tells_the_licences(run):
    text = run("--version").stdout
    assert "MIT" in text
    assert "CC BY-NC-SA 4.0" in text


def test_taps_are_taken_wherever_the_other_hints_are(run, song, home):
    (home / "taps.txt").write_text("1.0\n1.6\nsoon\n")
    for words in (("find",), ("click",), ("export", "--to", "midi"), ("hear",), ("page", "--out", "t.html")):
        assert "taps.txt: line 3" in complaint(run(words[0], song, *words[1:], "--taps", "taps.txt")), words
    assert "taps.txt: line 3" in complaint(run("take", song, song, "--taps", "taps.txt"))
    (home / "taps.txt").write_text("1.0\n1.6\n2.2\n2.8\n")
    (home / "beats.txt").write_text("1.0 1\n1.6 2\n2.2 1\n2.8 2\n")
    assert "leave out --taps" in complaint(run("find", song, "--taps", "taps.txt", "--from", "beats.txt"))
    (home / "saved.json").write_text("{}")
    assert "--taps" in complaint(run("click", song, "--analysis", "saved.json", "--taps", "taps.txt"))
