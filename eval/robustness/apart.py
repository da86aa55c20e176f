"""Work done apart: in worker processes that have loaded all, and there in forked copies that may hang or die."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import NoReturn

from eval import ROOT

READY = b"ready\n"
"""What a worker says when it can begin."""

_ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
"""Threads would be lost in the copies, and each of them takes memory."""


def answers(module: str, given: list[str], numbers: range, processes: int) -> Generator[tuple[int, bytes], None, None]:
    """Lines about numbers as they arrive from several workers, each of which takes the next number when done with one.

    A worker is `python -m MODULE GIVEN...`: it says READY, and then a line for each line with a number. An empty line
    is of a worker that died; another one takes its place.
    """
    ended: SimpleQueue[tuple[int, bytes] | Exception | None] = SimpleQueue()
    left = iter(numbers)

    def tend() -> None:
        try:
            for answer in _answers(module, given, left):
                ended.put(answer)
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
        # Whatever ends this: no further number is begun.
        for _ in left:
            pass
        for thread in threads:
            thread.join()


def _answers(module: str, given: list[str], numbers: Iterator[int]) -> Iterator[tuple[int, bytes]]:
    """Lines from one worker, or from its replacement if it dies, which costs only the number at hand."""
    number = next(numbers, None)
    while number is not None:
        with _worker(module, given) as worker:
            line: bytes = READY
            while number is not None and line:
                line = _asked(worker, number)
                yield number, line
                number = next(numbers, None)


@contextlib.contextmanager
def _worker(module: str, given: list[str]) -> Iterator[subprocess.Popen[bytes]]:
    pipe = subprocess.PIPE
    with tempfile.TemporaryDirectory(prefix="apart-") as scratch, tempfile.TemporaryFile() as said:
        told = {"PULSEFIND_CACHE": f"{scratch}/cache", "TMPDIR": scratch, **_ONE_THREAD}
        worker = subprocess.Popen(
            [sys.executable, "-m", module, *given],
            cwd=ROOT,
            stdin=pipe,
            stdout=pipe,
            stderr=said,
            env={**os.environ, **told},
            start_new_session=True,
        )
        assert worker.stdin is not None
        assert worker.stdout is not None
        try:
            if worker.stdout.readline() != READY:
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
    """A worker's line about a number; nothing if it died."""
    assert worker.stdin is not None
    assert worker.stdout is not None
    try:
        worker.stdin.write(f"{number}\n".encode())
        worker.stdin.flush()
    except BrokenPipeError:
        return b""
    return worker.stdout.readline()


def serve(answer: Callable[[int], bytes], load: Callable[[], None]) -> None:
    """Be a worker: load all, say so, and answer every number that comes on standard input."""
    told = os.fdopen(os.dup(1), "wb")
    load()
    told.write(READY)
    told.flush()
    for line in sys.stdin:
        told.write(answer(int(line)) + b"\n")
        told.flush()


@dataclass(frozen=True, slots=True)
class Copy:
    """A forked copy at work: its process, the pipe that it tells its result through, when it began."""

    process: int
    reader: int
    began_s: float


@dataclass(frozen=True, slots=True)
class Ended:
    """How a copy ended: what it told (nothing if it hung or died), whether it ran out of time, its exit code, costs."""

    told: bytes
    late: bool
    code: int
    took_s: float
    processor_s: float
    peak_mib: float


def started(act: Callable[[], bytes]) -> Copy:
    """Fork a copy of this process that does something, tells what came of it, and ends without a word."""
    reader, writer = os.pipe()
    process = os.fork()
    if process == 0:
        os.close(reader)
        _tell(act, writer)
    os.close(writer)
    return Copy(process, reader, time.monotonic())


def _tell(act: Callable[[], bytes], writer: int) -> NoReturn:
    code = 1
    try:
        told = act()
        with os.fdopen(writer, "wb") as pipe:
            pipe.write(told + b"\n")
        code = 0
    finally:
        os._exit(code)


def ended(copy: Copy, limit_s: float) -> Ended:
    """Wait for a copy, and end it if it takes longer."""
    told = _line_from(copy.reader, copy.began_s + limit_s)
    os.close(copy.reader)
    late = time.monotonic() >= copy.began_s + limit_s
    if not told:
        with contextlib.suppress(ProcessLookupError):
            os.kill(copy.process, signal.SIGKILL)
    _, status, usage = os.wait4(copy.process, 0)
    took_s = time.monotonic() - copy.began_s
    processor_s = usage.ru_utime + usage.ru_stime
    return Ended(told, late, os.waitstatus_to_exitcode(status), took_s, processor_s, usage.ru_maxrss / 1024)


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


def with_seeds(folder: Path) -> dict[str, bytes]:
    """The contents of all files of a folder, by name."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}
