"""The check of the machine: it passes here, and each failure says what to do."""

import json
import shutil
import subprocess
import sys

import numpy as np
import pytest
import soundfile
import typer

from pulsefind import soundcheck as checking
from pulsefind.cli import soundcheck as cli_soundcheck
from pulsefind.core import cache


@pytest.fixture(scope="module")
def checks(tmp_path_factory):
    return {check.name: check for check in checking.soundcheck(tmp_path_factory.mktemp("here"))}


def test_everything_that_is_needed_works(checks):
    assert [name for name, check in checks.items() if check.needed and not check.works] == []
    assert all(not check.advice for check in checks.values() if check.works)
    assert all(check.advice for check in checks.values() if not check.works)
    assert "Python 3." in checks["versions"].found


def test_the_check_leaves_nothing(checks, tmp_path):
    assert checking._writes(tmp_path)
    assert list(tmp_path.iterdir()) == []
    assert not list(cache.folder().glob("soundcheck*"))


KILLED = """\
import os, signal
from pulsefind import soundcheck
soundcheck.cache.read = lambda key: os.kill(os.getpid(), signal.SIGKILL)
soundcheck._cache()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal")
def test_what_a_killed_check_left_in_the_cache_goes_with_the_next(monkeypatch, tmp_path):
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path))
    for _ in range(2):
        assert subprocess.run([sys.executable, "-c", KILLED], check=False).returncode == -9
    assert len(list(tmp_path.glob("soundcheck*"))) == 1
    assert "MB of" in checking._cache()
    assert list(tmp_path.iterdir()) == []


def broken(attempt):
    check = checking._tried("x", True, attempt, "do this")
    assert not check.works
    assert check.advice == "do this"
    return check.found


def test_failures_are_told(monkeypatch, tmp_path):
    with monkeypatch.context() as patch:
        patch.setattr(soundfile, "read", lambda _: (np.sin(np.arange(44100) * 0.5), 44100))
        assert "came back as 3509 Hz" in broken(lambda: checking._file_kind(".flac"))
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "which", lambda _: None)
        assert broken(checking._ffmpeg) == "ffmpeg is not installed"
        assert "no browser" in broken(checking._browser)
    with monkeypatch.context() as patch:
        patch.setattr(checking, "ROOM_BYTES", 2**80)
        assert "GB free" in broken(checking._temporary)
    assert "FileNotFoundError" in broken(lambda: checking._writes(tmp_path / "gone"))
    with monkeypatch.context() as patch:
        (tmp_path / "file").write_text("in the way")
        patch.setenv("PULSEFIND_CACHE", str(tmp_path / "file"))
        assert "can't be used" in broken(checking._cache)
    with monkeypatch.context() as patch:
        patch.setattr(checking, "BPM", 140.0)
        assert "taken for" in broken(lambda: checking._hears("own"))
    with monkeypatch.context() as patch:
        silence = np.zeros((441000, 2), np.float32)
        patch.setattr(checking, "_ten_seconds", lambda: silence)
        assert "taken for 0.0 bpm" in broken(lambda: checking._hears("stock"))
    with monkeypatch.context() as patch:
        patch.setattr(checking, "PACKAGES", ("no-such-package",))
        assert "PackageNotFoundError" in broken(checking._versions)


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script stands for ffmpeg")
def test_an_ffmpeg_that_fails_is_told(monkeypatch, tmp_path):
    program = tmp_path / "ffmpeg"
    program.write_text("#!/bin/sh\necho no codecs >&2\nexit 1\n")
    program.chmod(0o755)
    monkeypatch.setattr(shutil, "which", lambda _: str(program))
    assert broken(checking._ffmpeg) == "ffmpeg: no codecs"


def test_the_command_prints_lines_that_fit_or_json_and_tells_by_its_exit_code(monkeypatch, capsys):
    good = checking.Check("flac files", True, True, "written and read")
    missing = checking.Check("pdf", False, False, "no browser is there " * 5, "install Chromium")
    bad = checking.Check("cache", False, True, "no room", "free some")
    monkeypatch.setattr(checking, "soundcheck", lambda _: (good, missing))
    cli_soundcheck.soundcheck()
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[-1] == "Ready to play."
    assert any("What to do: install Chromium." in line for line in lines)
    monkeypatch.setattr(checking, "soundcheck", lambda _: (good, bad))
    with pytest.raises(typer.Exit) as left:
        cli_soundcheck.soundcheck()
    assert left.value.exit_code == 1
    assert capsys.readouterr().out.splitlines()[-1] == "Broken: cache"
    with pytest.raises(typer.Exit):
        cli_soundcheck.soundcheck(json_output=True)
    told = json.loads(capsys.readouterr().out)
    assert [check["works"] for check in told["checks"]] == [True, False]


def test_it_runs_as_a_command():
    run = subprocess.run([sys.executable, "-m", "pulsefind", "soundcheck"], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    assert run.stdout.endswith("Ready to play.\n")
