"""Damaged files and odd hints by the thousand: every reader must answer or refuse in one line.

`python -m eval fuzz --count 20000 --seed 1 --processes 8` makes small real files, damages them, and gives each to the
command line as a person would (cases.py says what is good). Each case runs in a process of its own, with 60 s and
2 GB; at the end every kind of fault is counted, and what led to one is kept. --only NUMBER repeats a case. Run as a
program, this file is a worker: the folder of the files and the seed are its arguments.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import resource
import select
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from queue import SimpleQueue
from typing import NoReturn

from eval import ROOT
from eval.robustness.cases import FAULT, Bench, Outcome, call, command_of, run_case
from eval.robustness.seeds import make_seeds

LIMIT_S = 60.0
MEMORY_BYTES = 2 * 2**30
KINDS = ("traceback", "hang", "memory", "died", "left over", "messages", "exit code")
"""Kinds of fault, as the classes begin."""

_READY = b"ready\n"
_ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
"""Threads would be lost in the copies, and each of them takes memory."""


def run(seed: int, count: int, first: int = 0, processes: int = 1, keep: Path | None = None) -> list[Outcome]:
    """Run cases first..first + count - 1, in order; if told to stop, return those that have ended.

    What led to a fault is kept in the folder `keep`: damaged files, the command, and what it said.
    """
    outcomes: list[Outcome] = []
    with tempfile.TemporaryDirectory(prefix="fuzz-seeds-") as folder:
        make_seeds(Path(folder))
        try:
            for outcome in _outcomes(Path(folder), seed, range(first, first + count), processes):
                outcomes.append(outcome)
                if outcome.fault and keep is not None:
                    _keep(keep, Path(folder), seed, outcome)
                if len(outcomes) % 500 == 0:
                    print(f"{len(outcomes)} of {count}", file=sys.stderr, flush=True)
        except KeyboardInterrupt:
            print(f"stopped after {len(outcomes)} of {count}", file=sys.stderr)
    return sorted(outcomes, key=lambda outcome: outcome.number)


def _outcomes(folder: Path, seed: int, numbers: range, processes: int) -> Iterator[Outcome]:
    """Outcomes as they arrive from several workers, each of which takes the next case when done with one."""
    ended: SimpleQueue[Outcome | Exception | None] = SimpleQueue()
    left = iter(numbers)

    def tend() -> None:
        try:
            for outcome in _answers(folder, seed, left):
                ended.put(outcome)
        except Exception as error:  # noqa: BLE001 - whatever is raised is a fault to be told
            ended.put(error)
        ended.put(None)

    threads = [threading.Thread(target=tend) for _ in range(min(processes, len(numbers)))]
    for thread in threads:
        thread.start()
    running = len(threads)
    try:
        while running:
            told = ended.get()
            if isinstance(told, Exception):
                raise told
            if told is None:
                running -= 1
            else:
                yield told
    finally:
        # Whatever ends this: no further case starts.
        for _ in left:
            pass
        for thread in threads:
            thread.join()


def _answers(folder: Path, seed: int, numbers: Iterator[int]) -> Iterator[Outcome]:
    """Outcomes from one worker, or from its replacement if it dies, which costs only the case at hand."""
    number = next(numbers, None)
    while number is not None:
        with _worker(folder, seed) as worker:
            line: bytes = _READY
            while number is not None and line:
                line = _asked(worker, number)
                died = Outcome(number, "?", FAULT, "died: the worker", ended="died")
                yield Outcome(**json.loads(line)) if line else died
                number = next(numbers, None)


@contextlib.contextmanager
def _worker(folder: Path, seed: int) -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-m", "eval.robustness.fuzz", str(folder), str(seed)]
    pipe = subprocess.PIPE
    with tempfile.TemporaryDirectory(prefix="fuzz-") as scratch, tempfile.TemporaryFile() as said:
        told = {"PULSEFIND_CACHE": f"{scratch}/cache", "TMPDIR": scratch, **_ONE_THREAD}
        worker = subprocess.Popen(
            command, cwd=ROOT, stdin=pipe, stdout=pipe, stderr=said, env={**os.environ, **told}, start_new_session=True
        )
        assert worker.stdin is not None
        assert worker.stdout is not None
        try:
            if worker.stdout.readline() != _READY:
                said.seek(0)
                raise RuntimeError(f"no case can be run: {said.read().decode(errors='replace')[-2000:]}")
            yield worker
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(worker.pid, signal.SIGKILL)
            worker.wait()
            worker.stdout.close()
            with contextlib.suppress(BrokenPipeError):
                worker.stdin.close()


def _asked(worker: subprocess.Popen[bytes], number: int) -> bytes:
    """A worker's line about a case; nothing if it died."""
    assert worker.stdin is not None
    assert worker.stdout is not None
    try:
        worker.stdin.write(f"{number}\n".encode())
        worker.stdin.flush()
    except BrokenPipeError:
        return b""
    return worker.stdout.readline()


def _work(folder: Path, seed: int) -> None:
    """Run the cases whose numbers come on standard input, each in a copy of this process that has loaded all."""
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    bench = Bench({path.name: path.read_bytes() for path in sorted(folder.iterdir())}, folder)
    told = os.fdopen(os.dup(1), "wb")
    _load_all(bench)
    told.write(_READY)
    told.flush()
    for line in sys.stdin:
        outcome = apart(bench, seed, int(line))
        told.write(json.dumps(dataclasses.asdict(outcome)).encode() + b"\n")
        told.flush()


def _load_all(bench: Bench) -> None:
    """Use once what most cases use, so that forked copies have it loaded."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        call(["find", bench.good("short.wav"), "--no-cache"])
        given = ["--analysis", bench.good("song.json"), "--bars", "2-2"]
        call(["click", bench.good("song.wav"), *given, "--out", f"{folder}/out.wav"])
        call(["take", bench.good("song.json"), bench.good("take.mid")])
        call(["sheet", bench.good("song.json"), "--out", f"{folder}/out.html"])
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_DFL)


def apart(bench: Bench, seed: int, number: int) -> Outcome:
    """Run a case in a forked copy: it may hang or die, and whatever it leaves is removed."""
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        reader, writer = os.pipe()
        copy = os.fork()
        if copy == 0:
            os.close(reader)
            _tell_case(bench, seed, number, Path(folder), writer)
        os.close(writer)
        told = _line_from(reader, started + LIMIT_S)
        os.close(reader)
        late = time.monotonic() >= started + LIMIT_S
        if not told:
            with contextlib.suppress(ProcessLookupError):
                os.kill(copy, signal.SIGKILL)
        _, status, usage = os.wait4(copy, 0)
    if told:
        outcome = Outcome(**json.loads(told))
    elif late:
        outcome = Outcome(number, "?", FAULT, "hang", f"no end after {LIMIT_S:.0f} s", "hang")
    else:
        outcome = Outcome(number, "?", FAULT, f"died: exit code {os.waitstatus_to_exitcode(status)}", "", "died")
    return dataclasses.replace(outcome, took_s=time.monotonic() - started, peak_mib=usage.ru_maxrss / 1024)


def _tell_case(bench: Bench, seed: int, number: int, folder: Path, writer: int) -> NoReturn:
    """Run a case, write its outcome to a pipe, and end this process without a word."""
    code = 1
    try:
        outcome = run_case(bench, seed, number, folder)
        with os.fdopen(writer, "wb") as pipe:
            pipe.write(json.dumps(dataclasses.asdict(outcome)).encode() + b"\n")
        code = 0
    finally:
        os._exit(code)


def _line_from(reader: int, deadline: float) -> bytes:
    """A whole line from a pipe, or nothing if it ends or takes too long."""
    data = b""
    while not data.endswith(b"\n"):
        ready, _, _ = select.select([reader], [], [], max(0.0, deadline - time.monotonic()))
        part = os.read(reader, 1 << 16) if ready else b""
        if not part:
            return b""
        data += part
    return data


def _keep(keep: Path, folder: Path, seed: int, outcome: Outcome) -> None:
    """Make what a case reads once more, in a folder that stays, with the command that reads it."""
    good = keep / "good"
    if not good.exists():
        shutil.copytree(folder, good)
    place = keep / f"seed {seed} case {outcome.number}"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    bench = Bench({path.name: path.read_bytes() for path in sorted(good.iterdir())}, good)
    command = shlex.join(["pulsefind", *command_of(bench, seed, outcome.number, place)])
    told = f"{command}\n\n{outcome.fault}\n{outcome.details}\n"
    (place / "case.txt").write_text(told, encoding="utf-8", errors="backslashreplace")


def summary(outcomes: list[Outcome]) -> str:
    """How the cases ended, what they took, every kind of fault, and every class with its count and one case."""
    text = [f"{len(outcomes)} cases: {_counted(one.verdict for one in outcomes)}"]
    text.append(f"ended by: {_counted(one.ended for one in outcomes)}")
    if outcomes:
        slow, large = max(outcomes, key=lambda one: one.took_s), max(outcomes, key=lambda one: one.peak_mib)
        text.append(f"longest {slow.took_s:.1f} s (case {slow.number}: {slow.what})")
        text.append(f"largest {large.peak_mib:.0f} MiB (case {large.number}: {large.what})")
    kinds = Counter(kind for one in outcomes for kind in KINDS if one.fault.startswith(kind))
    text.append("faults: " + ", ".join(f"{kinds[kind]} {kind}" for kind in KINDS))
    for fault, n in Counter(one.fault for one in outcomes if one.fault).most_common():
        example = next(one for one in outcomes if one.fault == fault)
        text.append(f"{n:6d}  {fault}  (case {example.number}: {example.what})")
    return "\n".join(text)


def _counted(names: Iterator[str]) -> str:
    return ", ".join(f"{n} {name}" for name, n in sorted(Counter(names).items()))


if __name__ == "__main__":
    _work(Path(sys.argv[1]), int(sys.argv[2]))
