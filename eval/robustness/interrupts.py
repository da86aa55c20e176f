"""Runs interrupted at seeded moments: whatever is there afterwards must be whole.

`python -m eval interrupts --count 200 --seed 1` starts find, click, page and eval on a short song, and interrupts each
with SIGINT (to the whole group, as a terminal does), SIGTERM or SIGKILL partway through. Then: a result is whole or
absent; nothing else is left, except after SIGKILL, and then under a temporary name; every cache entry matches its
checksum; no process is left; and the same command, run again, gives the same bytes as ever.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from eval import ROOT
from pulsefind.core.cache import is_whole
from pulsefind.demo import RATE_HZ, make_song

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
SONG_S = 22.0
PATIENCE_S = 10.0
STARTING_S = 0.5
"""Before our first line runs, Python itself handles SIGINT, with a traceback."""


@dataclass(frozen=True, slots=True)
class Job:
    """A command to interrupt: its arguments, and what it writes."""

    name: str
    arguments: tuple[str, ...]
    result: str


JOBS = (
    Job("find", ("pulsefind", "find", "song.wav", "--out", "out.json"), "out.json"),
    Job("click", ("pulsefind", "click", "song.wav", "--out", "out.flac"), "out.flac"),
    Job("page", ("pulsefind", "page", "song.wav", "--out", "out.html"), "out.html"),
    Job("ladder", ("pulsefind", "click", "song.wav", "--ladder", "--out", "out"), "out"),
    Job("eval", ("eval", "run", "synthetic", "--root", "sets", "--systems", "pulsefind", "--out", "scores"), "scores"),
)


def prepare(place: Path, jobs: tuple[Job, ...]) -> None:
    """Put what the jobs read into a folder."""
    song, _ = make_song()
    soundfile.write(place / "song.wav", song[: int(SONG_S * RATE_HZ)], RATE_HZ, "PCM_16")
    if any(job.name == "eval" for job in jobs):
        command = [sys.executable, "-m", "eval", "synthesise", "--root", str(place / "sets"), "--seconds", "6"]
        subprocess.run(command, cwd=ROOT, check=True, capture_output=True)


def start(job: Job, place: Path) -> subprocess.Popen[bytes]:
    """Start a job in a folder, with a cache and a place for temporary files of its own."""
    (place / "tmp").mkdir(exist_ok=True)
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    told = {"PULSEFIND_CACHE": str(place / "cache"), "TMPDIR": str(place / "tmp"), "PYTHONPATH": path}
    command = [sys.executable, "-m", *job.arguments]
    pipe = subprocess.PIPE
    return subprocess.Popen(
        command, cwd=place, env={**os.environ, **told}, stdout=pipe, stderr=pipe, start_new_session=True
    )


def finish(job: Job, place: Path) -> tuple[float, str]:
    """Run a job to its end: seconds, and a digest of what it wrote."""
    started = time.monotonic()
    process = start(job, place)
    _, said = process.communicate()
    if process.returncode:
        raise RuntimeError(f"{job.name} failed: {said.decode(errors='replace')}")
    return time.monotonic() - started, contents(place / job.result)


def contents(path: Path) -> str:
    """A digest of a result: of the file, of all files in a folder, of the scores of an eval run (costs differ)."""
    if path.name == "scores":
        tracks = json.loads((path / "result.json").read_text())["tracks"]
        kept = [[track["name"], track["systems"]["pulsefind"]["values"]] for track in tracks]
        return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


def broken_off(job: Job, place: Path, after_s: float, how: signal.Signals, expected: str) -> list[str]:
    """Interrupt a job, and list what is wrong with what it leaves behind."""
    process = start(job, place)
    time.sleep(after_s)
    if how is not signal.SIGINT:
        process.send_signal(how)
    elif process.poll() is None:
        os.killpg(process.pid, how)
    try:
        _, said = process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return [f"no end {PATIENCE_S:.0f} s after {how.name}"]
    wrong = _said(process.returncode, said.decode(errors="replace"), how, after_s, job)
    if not _group_ends(process.pid):
        wrong.append("a process is left")
        os.killpg(process.pid, signal.SIGKILL)
    return wrong + _left(job, place, how, expected)


def _said(code: int, said: str, how: signal.Signals, after_s: float, job: Job) -> list[str]:
    if code == 0 or how is signal.SIGKILL or after_s < STARTING_S:
        return []
    if code == -how and not said:
        # Python removes our handlers as it exits; by then everything has been done and said.
        return []
    if code != 128 + how or said != f"{job.arguments[0]}: stopped\n":
        return [f"exit code {code}, said {said[-300:]!r}"]
    return []


def _group_ends(group: int) -> bool:
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False


def _left(job: Job, place: Path, how: signal.Signals, expected: str) -> list[str]:
    wrong = []
    result = place / job.result
    if job.name == "eval":
        wrong += [f"{path.name} is no JSON" for path in result.rglob("[!.]*.json") if not _is_json(path)]
    elif result.exists() and contents(result) != expected:
        wrong.append(f"{job.result} is there, but not whole")
    known = {"song.wav", "sets", "cache", "tmp", job.result}
    strange = [path.name for path in place.iterdir() if path.name not in known]
    strange += [path.name for path in (place / "tmp").iterdir()]
    if how is not signal.SIGKILL and strange:
        wrong.append(f"left behind: {strange}")
    if any(not name.startswith((".pulsefind-", "pulsefind-", "pymp-", "joblib", "tmp", "loky")) for name in strange):
        wrong.append(f"left behind under a name of its own: {strange}")
    for entry in (place / "cache").glob("*.activations"):
        if not is_whole(entry):
            wrong.append("a cache entry is damaged")
    return wrong


def _is_json(path: Path) -> bool:
    try:
        json.loads(path.read_text())
    except ValueError:
        return False
    return True


def run(
    count: int, seed: int, jobs: tuple[Job, ...] = JOBS, rerun_every: int = 5, processes: int = 1, first: int = 0
) -> list[str]:
    """Interrupt runs `first` up to `count` of a seed, several at once; returns what went wrong, a line each."""
    rng = np.random.default_rng(seed)
    # A shell's background jobs ignore it, and so would what they start.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    chosen = [(SIGNALS[int(rng.integers(len(SIGNALS)))], float(rng.uniform(0.0, 1.0))) for _ in range(count)]
    with tempfile.TemporaryDirectory(prefix="interrupts-") as folder, ThreadPoolExecutor(processes) as pool:
        stock = Path(folder) / "stock"
        stock.mkdir()
        prepare(stock, jobs)
        # Timed beside each other, as they will be broken off.
        finished = pool.map(lambda job: finish(job, _fresh(stock, Path(folder) / f"whole {job.name}")), jobs)
        whole = {job.name: told for job, told in zip(jobs, finished, strict=True)}

        def one(number: int) -> list[str]:
            job, (how, share) = jobs[number % len(jobs)], chosen[number]
            length_s, expected = whole[job.name]
            place = _fresh(stock, Path(folder) / f"run {number}")
            found = broken_off(job, place, share * length_s, how, expected)
            if number % rerun_every == 0 and not found and not (place / job.result).exists():
                found = [] if finish(job, place)[1] == expected else ["run again, it gives something else"]
            shutil.rmtree(place)
            return [f"{number}: {job.name} {how.name} after {share * length_s:.2f} s: {text}" for text in found]

        wrong: list[str] = []
        for number, found in zip(range(first, count), pool.map(one, range(first, count)), strict=True):
            wrong += found
            if found or number % 20 == 19:
                print("\n".join(found) or f"{number + 1} of {count}", file=sys.stderr, flush=True)
    told = Counter(
        f"{jobs[number % len(jobs)].name} {how.name}" for number, (how, _) in enumerate(chosen) if number >= first
    )
    print(f"{count - first} runs broken off ({', '.join(f'{n} {name}' for name, n in sorted(told.items()))})")
    return wrong


def _fresh(stock: Path, place: Path) -> Path:
    shutil.copytree(stock, place)
    return place
