"""A handful of runs broken off; `python -m eval interrupts` breaks off as many as you like."""

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
from eval.robustness.aftermath import digest, left_by_a_break, left_by_the_next
from eval.robustness.jobs import JOBS, Job
from pulsefind.demo import RATE_HZ, make_song

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="signals and groups of processes")


def job(name):
    return next(job for job in JOBS if job.name == name)


def test_runs_broken_off_leave_nothing_that_looks_whole_and_nothing_after_the_next_run():
    assert interrupts.run(4, seed=3, jobs=(job("find"), job("export"))) == []


UNTIDY = """\
import os, pathlib, sys, time
fault, place = sys.argv[1], pathlib.Path.cwd()
temporary = pathlib.Path(os.environ["TMPDIR"])
left = list(temporary.glob(".pulsefind-*.part"))
for path in left:
    if fault != "leaves":
        path.unlink()
part = temporary / f".pulsefind-{os.getpid():08d}.part"
if fault == "forks" and os.fork() == 0:
    os.setsid()
    os.closerange(0, 3)
    time.sleep(60)
part.write_text("half")
if fault == "writes":
    (place / "out.txt").write_text("whol")
if fault == "overwrites":
    (place / "song.txt").write_text("no song")
if fault == "names":
    (place / "profile").mkdir(exist_ok=True)
with (place / "takes.jsonl").open("a") as history:
    history.write('{"half": ' if fault == "halves" else "")
    history.flush()
    time.sleep(0.5)
    history.write('1}\\n' if fault == "halves" else '{"reviewed_at": "' + str(time.time()) + '"}\\n')
(place / "out.txt").write_text("hole" if fault == "resumes" and left else "whole")
if fault == "overwrites":
    (place / "song.txt").write_text("song")
if fault == "names":
    (place / "profile").rmdir()
part.unlink()
"""
"""A program that takes half a second to write a result, and has one fault if it is broken off meanwhile."""


def judged(folder, monkeypatch, fault):
    """What the judge says of two runs of it, killed while it writes."""
    (folder / "untidy.py").write_text(UNTIDY)
    monkeypatch.setenv("PYTHONPATH", str(folder))
    monkeypatch.setattr(interrupts, "PATIENCE_S", 1.0)

    def fill(place, jobs):
        (place / "song.txt").write_text("song")
        (place / "takes.jsonl").write_text('{"reviewed_at": "before"}\n')

    untidy, place = Job("untidy", ("untidy", fault), forced=False), folder / "run"
    (folder / "stock").mkdir()
    fill(folder / "stock", ())
    shutil.copytree(folder / "stock", folder / "whole")
    shutil.copytree(folder / "stock", place)
    whole = interrupts.look_at_whole(untidy, folder / "whole")
    # Its first change of files is made when its half-written ones are there, the pause after it is long.
    when = interrupts.Break(signal.SIGKILL, at_change=True, share=0.0, later_s=0.2)
    running, found = interrupts.broken_off(untidy, place, whole, when)
    assert running
    return found


def test_a_program_that_is_tidy_is_judged_so(tmp_path, monkeypatch):
    assert judged(tmp_path, monkeypatch, "none") == []


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("leaves", "still there after the next run: tmp/.pulsefind-"),
        ("writes", "out.txt is there, but not whole"),
        ("overwrites", "song.txt is there, but not whole"),
        ("names", "left behind under a name of its own: profile/"),
        ("resumes", "after the next run out.txt is something else"),
        ("halves", "takes.jsonl is there, but not whole"),
        ("forks", "a process is left"),
    ],
)
def test_the_judge_of_broken_off_runs_can_fail(fault, said, tmp_path, monkeypatch):
    assert any(one.startswith(said) for one in judged(tmp_path, monkeypatch, fault))


def test_the_judge_sees_what_a_run_that_ends_tidily_may_not_leave():
    before, whole = {"song.wav": "a"}, {"song.wav": "a", "out.json": "b"}
    left = {"song.wav": "a", "tmp/.pulsefind-abcdefg1.part/": ""}
    assert left_by_a_break(before, whole, left, tidy=False) == []
    assert left_by_a_break(before, whole, left, tidy=True) == ["left behind: tmp/.pulsefind-abcdefg1.part/"]
    assert left_by_a_break(before, whole, {}, tidy=False) == ["song.wav is gone"]


def test_the_judge_sees_what_the_next_run_left_or_did_not_make():
    once, twice = {"out.json": "b", "takes.jsonl": "1"}, {"out.json": "b", "takes.jsonl": "2"}
    for history in ("1", "2"):
        assert left_by_the_next((once, twice), {"out.json": "b", "takes.jsonl": history}) == []
    assert left_by_the_next((once, twice), {"out.json": "c", "takes.jsonl": "1", "x": "d"}) == [
        "still there after the next run: x",
        "after the next run out.json is something else",
    ]
    assert left_by_the_next((once, twice), {"takes.jsonl": "1"}) == ["after the next run out.json is not there"]


def test_a_digest_leaves_out_when_and_nothing_else(tmp_path):
    for name, one, other, more in (
        ("a.jsonl", '{"reviewed_at": "1", "hits": 3}', '{"reviewed_at": "2", "hits": 3}', '{"reviewed_at": "2"}'),
        ("a.pdf", "/CreationDate (D:1) x", "/CreationDate (D:2) x", "/CreationDate (D:2) y"),
        ("a.json", "{}", "{}", '{"reviewed_at": "1"}'),
    ):
        marks = []
        for text in (one, other, more):
            (tmp_path / name).write_text(text)
            marks.append(digest(tmp_path / name))
        assert marks[0] == marks[1] != marks[2]
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("gone")
    assert (digest(tmp_path / "pipe"), digest(tmp_path / "link")) == ("a socket or a pipe", "a link to gone")
    (tmp_path / "scores").mkdir()
    (tmp_path / "scores" / "a.json").write_text("{")
    assert digest(tmp_path / "scores" / "a.json") == "no JSON"


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
