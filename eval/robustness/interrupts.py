"""Runs broken off at seeded moments: what is there afterwards is whole, and nothing is left after the next run.

`python -m eval interrupts --count 200 --seed 1` starts every command that writes something (jobs.py) on a short song,
and breaks it off with SIGINT (to the whole group, as a terminal does), SIGTERM or SIGKILL; with `--kills` with SIGKILL
only. Half of the moments are spread over a run's length; the others follow, within a few milliseconds, a change of the
files in its folder, its cache or its place for temporary files, where most of what can be damaged is being written.

Then each file is as before the run, or as a whole run leaves it; only a kill leaves more, and that under temporary
names; and no process is left. The same command, run again to its end (with --force, where a result is there already),
must leave in all three places what a run leaves that nobody broke off, byte by byte, and nothing else.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from eval.robustness.aftermath import Tree, left_by_a_break, left_by_the_next, none_runs_in, running_in, tree
from eval.robustness.jobs import JOBS, Job, environment, prepare

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
PATIENCE_S = 10.0
STARTING_S = 0.5
"""Before our first line runs, Python itself handles SIGINT, with a traceback."""

LOOK_S, LATEST_S = 0.003, 0.02
"""How often a run's files are looked at, and how long after a change of them it is broken off at most (judged)."""

_LATE, _LEFT_OUT = "late", "left out"


@dataclass(frozen=True, slots=True)
class Whole:
    """Runs that nobody broke off: the folder before, after one and after a second one; length, and changes of files."""

    before: Tree
    once: Tree
    twice: Tree
    length_s: float
    changes: int


@dataclass(frozen=True, slots=True)
class Break:
    """How and when a run is broken off: at a share of its length, or so long after one of its changes of files."""

    how: signal.Signals
    at_change: bool
    share: float
    later_s: float

    def told(self, whole: Whole) -> str:
        """In words."""
        if self.at_change:
            return f"{self.how.name} {1000 * self.later_s:.0f} ms after change {self.change(whole)} of its files"
        return f"{self.how.name} after {self.share * whole.length_s:.2f} s"

    def change(self, whole: Whole) -> int:
        """The number of the change that it follows, counted from 1."""
        return 1 + int(self.share * whole.changes)


def drawn(count: int, seed: int, signals: tuple[signal.Signals, ...]) -> list[Break]:
    """The breaks of a seed."""
    rng = np.random.default_rng(seed)
    return [
        Break(
            signals[int(rng.integers(len(signals)))],
            bool(rng.random() < 0.5),
            float(rng.random()),
            float(rng.uniform(0.0, LATEST_S)),
        )
        for _ in range(count)
    ]


def start(job: Job, place: Path, *more: str) -> subprocess.Popen[bytes]:
    """Start a job in a folder, with a cache and a place for temporary files of its own."""
    (place / "tmp").mkdir(exist_ok=True)
    command = [sys.executable, "-m", *job.arguments, *more]
    pipe = subprocess.PIPE
    return subprocess.Popen(
        command, cwd=place, env=environment(place), stdout=pipe, stderr=pipe, start_new_session=True
    )


def finish(job: Job, place: Path) -> str | None:
    """Run a job to its end, as a person does who may find its result there; why it failed, or None."""
    process = start(job, place)
    _, said = process.communicate()
    if process.returncode == 2 and b"exists already" in said and job.forced:
        process = start(job, place, "--force")
        _, said = process.communicate()
    return f"exit code {process.returncode}: {said.decode(errors='replace')[-300:]}" if process.returncode else None


def look_at_whole(job: Job, place: Path) -> Whole:
    """Run a job twice in a folder, and see what that leaves."""
    (place / "tmp").mkdir(exist_ok=True)
    before = tree(place)
    started, changes = time.monotonic(), 0
    process = start(job, place)
    with ThreadPoolExecutor(1) as reader:
        said = reader.submit(process.communicate)
        seen = _signature(place)
        while process.poll() is None:
            time.sleep(LOOK_S)
            now = _signature(place)
            changes, seen = changes + (now != seen), now
        if process.returncode:
            raise RuntimeError(f"{job.name} failed: {said.result()[1].decode(errors='replace')}")
    length_s, once = time.monotonic() - started, tree(place)
    if reason := finish(job, place):
        raise RuntimeError(f"{job.name} failed the second time: {reason}")
    return Whole(before, once, tree(place), length_s, changes)


def _signature(place: Path) -> dict[str, int]:
    """Names and sizes of what a run writes; the files of a browser are many, and only their folder is looked at."""
    found = {}
    for folder, folders, files in os.walk(place):
        folders[:] = [name for name in folders if name != "profile"]
        for name in files:
            path = os.path.join(folder, name)  # noqa: PTH118 - a thousand times a second
            try:
                found[path] = os.stat(path).st_size  # noqa: PTH116
            except OSError:
                continue
        found[folder] = len(folders)
    return found


def _wait(process: subprocess.Popen[bytes], place: Path, whole: Whole, when: Break) -> None:
    """Wait for the moment to break a run off, or for its end."""
    if not when.at_change:
        time.sleep(when.share * whole.length_s)
        return
    left, seen = when.change(whole), _signature(place)
    while process.poll() is None and left:
        time.sleep(LOOK_S)
        now = _signature(place)
        left, seen = left - (now != seen), now
    time.sleep(when.later_s)


def broken_off(job: Job, place: Path, whole: Whole, when: Break) -> tuple[bool, list[str]]:
    """Break a job off, run it again to its end: was it still running, and what is wrong."""
    started = time.monotonic()
    process = start(job, place)
    _wait(process, place, whole, when)
    after_s, running = time.monotonic() - started, process.poll() is None
    if running:
        (os.killpg if when.how is signal.SIGINT else os.kill)(process.pid, when.how)
    try:
        _, said = process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return True, [f"no end {PATIENCE_S:.0f} s after {when.how.name}"]
    wrong = _said(process.returncode, said.decode(errors="replace"), when.how, after_s, job)
    if not none_runs_in(place, PATIENCE_S):
        wrong.append("a process is left")
        for number in running_in(place):
            os.kill(number, signal.SIGKILL)
    wrong += left_by_a_break(whole.before, whole.once, tree(place), tidy=when.how is not signal.SIGKILL)
    if reason := finish(job, place):
        wrong.append(f"run again: {reason}")
    return running, wrong + left_by_the_next((whole.once, whole.twice), tree(place))


def _said(code: int, said: str, how: signal.Signals, after_s: float, job: Job) -> list[str]:
    if code == 0 or how is signal.SIGKILL or after_s < STARTING_S:
        return []
    if code == -how and not said:
        # Python removes our handlers as it exits; by then everything has been done and said.
        return []
    if code != 128 + how or said != f"{job.arguments[0]}: stopped\n":
        return [f"exit code {code}, said {said[-300:]!r}"]
    return []


def run(
    count: int,
    seed: int,
    jobs: tuple[Job, ...] = JOBS,
    processes: int = 1,
    first: int = 0,
    signals: tuple[signal.Signals, ...] = SIGNALS,
    fill: Callable[[Path, tuple[Job, ...]], None] = prepare,
    until_s: float = np.inf,
) -> list[str]:
    """Break off runs `first` up to `count` of a seed, several at once; returns what went wrong, a line each.

    `fill` puts what the jobs read into a folder. After `until_s` seconds no run begins.
    """
    last_s = time.monotonic() + until_s
    # A shell's background jobs ignore it, and so would what they start.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    breaks = drawn(count, seed, signals)
    with tempfile.TemporaryDirectory(prefix="interrupts-") as folder, ThreadPoolExecutor(processes) as pool:
        stock = Path(folder) / "stock"
        stock.mkdir()
        fill(stock, jobs)
        # Timed beside each other, as they will be broken off.
        seen = pool.map(lambda job: look_at_whole(job, _fresh(stock, Path(folder) / f"whole {job.name}")), jobs)
        wholes = dict(zip((job.name for job in jobs), seen, strict=True))

        def one(number: int) -> tuple[str, list[str]]:
            job, when = jobs[number % len(jobs)], breaks[number]
            if time.monotonic() > last_s:
                return _LEFT_OUT, []
            place = _fresh(stock, Path(folder) / f"run {number}")
            running, found = broken_off(job, place, wholes[job.name], when)
            shutil.rmtree(place)
            told = [f"{number}: {job.name} {when.told(wholes[job.name])}: {text}" for text in found]
            return f"{job.name} {when.how.name}" if running else _LATE, told

        wrong: list[str] = []
        tally: Counter[str] = Counter()
        for number, (what, found) in zip(range(first, count), pool.map(one, range(first, count)), strict=True):
            wrong += found
            tally[what] += 1
            if found or number % 20 == 19:
                done = tally.total() - tally[_LATE] - tally[_LEFT_OUT]
                print("\n".join(found) or f"{done} broken off of {number + 1}", file=sys.stderr, flush=True)
    for name, what in ((_LATE, "had ended before, and were run again all the same"), (_LEFT_OUT, "not begun in time")):
        if some := tally.pop(name, 0):
            print(f"{some} {what}")
    print(f"{tally.total()} runs broken off ({', '.join(f'{n} {name}' for name, n in sorted(tally.items()))})")
    return wrong


def _fresh(stock: Path, place: Path) -> Path:
    shutil.copytree(stock, place)
    return place
