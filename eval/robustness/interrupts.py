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

import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from eval.robustness.aftermath import Tree, left_by_a_break, left_by_the_next, none_runs_in, running_in, tree
from eval.robustness.copies import Work, load_all
from eval.robustness.jobs import JOBS, Job, prepare

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
PATIENCE_S = 10.0
STARTING_S = 0.5
"""Before our first line runs, Python itself handles SIGINT, with a traceback."""

LIMIT_S = 300.0
"""Of a run that nobody breaks off, on a machine with much other work (judged)."""

FRESH_EVERY = 5
"""Of the runs that are broken off one in so many is a fresh one, which takes its time to load (judged)."""

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
    """How and when a run is broken off: at a share of its length, or so long after one of its changes of files.

    fresh: it loads everything itself, and is no copy of a process that has.
    """

    how: signal.Signals
    at_change: bool
    share: float
    later_s: float
    fresh: bool = True

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
            number % FRESH_EVERY == 0,
        )
        for number in range(count)
    ]


def finish(job: Job, place: Path) -> str | None:
    """Run a job to its end, as a person does who may find its result there; why it failed, or None."""
    work = Work(job, place)
    code, said = work.wait(LIMIT_S), work.said
    if code == 2 and "exists already" in said and job.forced:
        work = Work(job, place, "--force")
        code, said = work.wait(LIMIT_S), work.said
    return f"exit code {code}: {said[-300:]}" if code else None


def look_at_whole(job: Job, place: Path) -> Whole:
    """Run a job twice in a folder, and see what that leaves."""
    (place / "tmp").mkdir(exist_ok=True)
    before = tree(place)
    started, changes = time.monotonic(), 0
    work, seen = Work(job, place), _signature(place)
    while work.poll() is None:
        time.sleep(LOOK_S)
        now = _signature(place)
        changes, seen = changes + (now != seen), now
    if code := work.poll():
        raise RuntimeError(f"{job.name} failed, exit code {code}: {work.said}")
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


def _wait(work: Work, place: Path, whole: Whole, when: Break) -> None:
    """Wait for the moment to break a run off, or for its end."""
    if not when.at_change:
        time.sleep(when.share * whole.length_s)
        return
    left, seen = when.change(whole), _signature(place)
    while work.poll() is None and left:
        time.sleep(LOOK_S)
        now = _signature(place)
        left, seen = left - (now != seen), now
    time.sleep(when.later_s)


def broken_off(job: Job, place: Path, whole: Whole, when: Break) -> tuple[bool, list[str]]:
    """Break a job off, run it again to its end: was it still running, and what is wrong."""
    started = time.monotonic()
    work = Work(job, place, fresh=when.fresh)
    _wait(work, place, whole, when)
    after_s, running = time.monotonic() - started, work.poll() is None
    if running:
        (os.killpg if when.how is signal.SIGINT else os.kill)(work.pid, when.how)
    try:
        code, said = work.wait(PATIENCE_S), work.said
    except TimeoutError:
        os.killpg(work.pid, signal.SIGKILL)
        work.wait(PATIENCE_S)
        return True, [f"no end {PATIENCE_S:.0f} s after {when.how.name}"]
    wrong = _said(code, said, when.how, after_s, job)
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


@dataclass(frozen=True, slots=True)
class Campaign:
    """Runs to break off: a folder, the stock in it, what whole runs leave, and when the last one may begin."""

    folder: Path
    jobs: tuple[Job, ...]
    breaks: list[Break]
    last_s: float

    def fresh(self, name: str) -> Path:
        """A copy of the stock, under a name."""
        shutil.copytree(self.folder / "stock", self.folder / name)
        return self.folder / name

    def whole(self, job: Job) -> Whole:
        """What whole runs of a job leave."""
        return look_at_whole(job, self.fresh(f"whole {job.name}"))

    def one(self, numbered: tuple[int, Whole]) -> tuple[str, list[str]]:
        """Break off the run of a number: what was done, and what went wrong."""
        number, whole = numbered
        job, when = self.jobs[number % len(self.jobs)], self.breaks[number]
        if time.monotonic() > self.last_s:
            return _LEFT_OUT, []
        place = self.fresh(f"run {number}")
        running, found = broken_off(job, place, whole, when)
        shutil.rmtree(place)
        told = [f"{number}: {job.name} {when.told(whole)}: {text}" for text in found]
        return f"{job.name} {when.how.name}" if running else _LATE, told


def run(
    count: int,
    seed: int,
    jobs: tuple[Job, ...] = JOBS,
    processes: int = 1,
    first: int = 0,
    signals: tuple[signal.Signals, ...] = SIGNALS,
    until_s: float = np.inf,
) -> list[str]:
    """Break off runs `first` up to `count` of a seed, several at once; returns what went wrong, a line each.

    After `until_s` seconds no run begins.
    """
    # A shell's background jobs ignore it, and so would what they start.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    load_all()
    forking = multiprocessing.get_context("fork")
    with tempfile.TemporaryDirectory(prefix="interrupts-") as folder, ProcessPoolExecutor(processes, forking) as pool:
        campaign = Campaign(Path(folder), jobs, drawn(count, seed, signals), time.monotonic() + until_s)
        (campaign.folder / "stock").mkdir()
        prepare(campaign.folder / "stock", jobs)
        # Timed beside each other, as they will be broken off.
        wholes = list(pool.map(campaign.whole, jobs))
        numbered = [(number, wholes[number % len(jobs)]) for number in range(first, count)]
        wrong: list[str] = []
        tally: Counter[str] = Counter()
        for (number, _), (what, found) in zip(numbered, pool.map(campaign.one, numbered), strict=True):
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
