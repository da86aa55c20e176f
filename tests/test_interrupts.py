"""A handful of runs broken off; `python -m eval interrupts` breaks off as many as you like."""

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from eval.robustness import interrupts
from eval.robustness.interrupts import JOBS, Job, _left
from pulsefind.demo import RATE_HZ, make_song

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="signals and groups of processes")


def test_runs_broken_off_leave_nothing_that_looks_whole():
    find = Job("find", ("pulsefind", "find", "song.wav", "--out", "out.json"), "out.json")
    assert interrupts.run(6, seed=3, jobs=(find,), rerun_every=6) == []


def test_the_judge_of_broken_off_runs_can_fail(tmp_path):
    job = JOBS[0]
    (tmp_path / "tmp").mkdir()
    (tmp_path / "cache").mkdir()
    assert _left(job, tmp_path, signal.SIGINT, "digest") == []
    (tmp_path / "out.json").write_text("{")
    assert _left(job, tmp_path, signal.SIGINT, "digest") == ["out.json is there, but not whole"]
    (tmp_path / "out.json").unlink()
    (tmp_path / ".pulsefind-x.part").write_text("half")
    assert _left(job, tmp_path, signal.SIGKILL, "digest") == []
    assert "left behind" in _left(job, tmp_path, signal.SIGTERM, "digest")[0]
    (tmp_path / "cache" / "a.activations").write_bytes(hashlib.sha256(b"a").digest() + b"b")
    assert _left(job, tmp_path, signal.SIGKILL, "digest") == ["a cache entry is damaged"]


@pytest.fixture
def song(tmp_path):
    samples, _ = make_song()
    soundfile.write(tmp_path / "song.wav", samples[: 8 * RATE_HZ], RATE_HZ)
    return tmp_path / "song.wav"


def find(song, *more, **environment):
    command = [sys.executable, "-m", "pulsefind", "find", str(song), *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, **environment})


def test_two_runs_on_one_track_at_once_say_the_same(song, tmp_path):
    runs = [find(song, "--json", PULSEFIND_CACHE=str(tmp_path / "cache")) for _ in range(2)]
    (first, said), (second, also) = (run.communicate() for run in runs)
    assert first == second
    assert (said, also) == (b"", b"")
    assert json.loads(first)["beats"]["time_s"]
    alone = find(song, "--json", PULSEFIND_CACHE=str(tmp_path / "alone"))
    assert alone.communicate() == (first, b"")
    kept, by_one = (
        {file.name: file.read_bytes() for file in (tmp_path / name).iterdir()} for name in ("cache", "alone")
    )
    assert kept and kept == by_one


def test_two_runs_that_write_one_file_leave_one_whole_file(song, tmp_path):
    out = tmp_path / "out.json"
    runs = [find(song, "--out", str(out)) for _ in range(2)]
    said = [run.communicate()[1] for run in runs]
    codes = sorted(run.returncode for run in runs)
    assert codes in ([0, 2], [0, 0]) and json.loads(out.read_text())["schema"]
    if codes == [0, 2]:
        assert any(b"exists already" in text for text in said)


@pytest.mark.skipif(os.geteuid() == 0 and shutil.which("setpriv") is None, reason="root may write anywhere")
def test_a_read_only_folder_is_one_line(song, tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir()
    song.chmod(0o644)
    closed.chmod(0o555)
    before = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--reuid=65534", "--clear-groups"]
    for folder in (*tmp_path.parents, tmp_path):
        if folder.stat().st_uid == os.geteuid() and str(folder).startswith("/tmp/"):
            folder.chmod(folder.stat().st_mode | 0o055)
    command = [
        sys.executable,
        "-m",
        "pulsefind",
        "find",
        str(song),
        "--network",
        "own",
        "--out",
        str(closed / "a.json"),
    ]
    # The other user has no cache: that of the tests is not theirs, which would be one line more.
    environment = os.environ | {"PULSEFIND_CACHE": str(closed / "cache")}
    run = subprocess.run(
        (before if os.geteuid() == 0 else []) + command,
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
        env=environment,
    )
    if "Permission denied" in run.stderr and "pulsefind:" not in run.stderr:
        pytest.skip("another user may not run this Python")
    assert run.returncode == 2, run.stderr
    assert "can't be written (Permission denied)" in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1


def test_bytes_of_no_text_in_a_name_and_a_long_path(song, tmp_path):
    deep = tmp_path
    while len(str(deep)) < 240:
        deep = deep / ("long" * 8)
    deep.mkdir(parents=True)
    name = deep / os.fsdecode(b"a\xff.wav")
    shutil.copy(song, name)
    run = find(name, "--out", str(deep / "out.json"))
    said = run.communicate()[1]
    assert run.returncode == 0, said
    assert json.loads((deep / "out.json").read_text())["track"]["name"] == "a\ufffd.wav"


def test_a_folder_of_20000_files_is_no_burden(song, tmp_path):
    for k in range(20_000):
        (tmp_path / f"other {k}.wav").touch()
    run = find(song, "--out", str(tmp_path / "out.json"))
    run.communicate()
    assert run.returncode == 0
    assert np.isfinite(json.loads((tmp_path / "out.json").read_text())["tempo"]["bpm"])
