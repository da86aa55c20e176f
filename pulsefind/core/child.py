"""Child processes (ffmpeg, a browser): without a shell, bounded in time, memory and files, and gone when we are.

A child is ended when the block that uses it is left, whatever the reason, with everything that it started. On Linux
the kernel also ends it when this process dies without leaving the block (SIGKILL); elsewhere a child that writes to us
ends at its next write.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from multiprocessing.pool import Pool
from pathlib import Path
from typing import IO

_DEATH_SIGNAL = 1
"""PR_SET_PDEATHSIG (published: Linux's <sys/prctl.h>)."""

_STOPS = {signal.SIGINT, signal.SIGTERM}


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a child: time_s until it is ended, memory_bytes of its own, file_bytes for any one file.

    None is no limit; without a time_s the child ends with the block that uses it.
    """

    time_s: float | None
    memory_bytes: int | None = None
    file_bytes: int | None = None


class Child:
    """A running child; stdout is its pipe, and stdin where it is talked to."""

    def __init__(self, process: subprocess.Popen[bytes], limits: Limits) -> None:
        """Watch the time, and keep the last line of what the child says."""
        assert process.stdout is not None
        self.stdout: IO[bytes] = process.stdout
        self.stdin: IO[bytes] | None = process.stdin
        self._process, self._limits = process, limits
        self._late = False
        self._timer = None if limits.time_s is None else threading.Timer(limits.time_s, self._end_late)
        self._last_line: deque[bytes] = deque(maxlen=1)
        self._listener = threading.Thread(target=self._listen, daemon=True)

    def start(self) -> None:
        """Start to watch and to listen."""
        if self._timer is not None:
            self._timer.daemon = True
            self._timer.start()
        self._listener.start()

    def finish(self) -> str | None:
        """Wait for the end. None if the child ended well, else the reason in a few words."""
        code = self._process.wait()
        self._listener.join()
        if self._late:
            return f"it took longer than {self._limits.time_s:g} s"
        if code < 0:
            return f"it broke down (signal {-code})"
        said = self._last_line[0].decode("utf-8", "replace").strip() if self._last_line else ""
        return said[:120] or f"exit code {code}" if code else None

    def end(self) -> None:
        """End the child and everything it started, if still running."""
        if self._timer is not None:
            self._timer.cancel()
        self.kill()
        self._process.wait()
        self._listener.join()
        self.stdout.close()
        if self.stdin is not None:
            # What was not taken any more is given up.
            with contextlib.suppress(OSError):
                self.stdin.close()

    def kill(self) -> None:
        """Kill the child with all that it started; any thread may, the block that uses it then meets its end."""
        _end_all(self._process)

    def _end_late(self) -> None:
        self._late = True
        _end_all(self._process)

    def _listen(self) -> None:
        assert self._process.stderr is not None
        with self._process.stderr as said:
            # Blocks, not lines: a line may be as long as it likes.
            while part := os.read(said.fileno(), 4096):
                lines = part.strip().splitlines()
                if lines:
                    self._last_line.append(lines[-1])


@contextlib.contextmanager
def running(
    command: Sequence[str],
    limits: Limits,
    talk: bool = False,
    told: Mapping[str, str] | None = None,
    inside: Path | None = None,
) -> Iterator[Child]:
    """Run a program for the length of the block; its standard input is empty. What is told goes into its environment,
    and it works inside a folder, ours if none is named.

    With talk it is a worker of our own, whose standard input is a pipe and which calls `end_with_parent` itself:
    several threads start such workers at a time, and then no Python may run between fork and exec. On Linux it ends
    with the thread that started it, which must be the one that stays with it.

    Raises
    ------
    OSError
        if it can't be started.
    """
    process = subprocess.Popen(
        command,
        stdin=subprocess.PIPE if talk else subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        cwd=inside,
        env={**os.environ, **(told or {})},
        preexec_fn=None if talk else _bounded(limits),  # noqa: PLW1509 - it calls setrlimit and prctl, and takes no lock
    )
    child = Child(process, limits)
    try:
        child.start()
        yield child
    finally:
        child.end()


def _end_all(process: subprocess.Popen[bytes]) -> None:
    """Kill the child's process group (the child leads it), or where there are no groups the child."""
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        if sys.platform == "win32":
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)


@contextlib.contextmanager
def worker_pool(processes: int) -> Iterator[Pool]:
    """Copies of this process that share work, for the length of the block; an interrupt is this process's alone."""
    with _held_signals() as release, multiprocessing.Pool(processes, _serve, (os.getpid(), _death_watch())) as pool:
        # Held until here: a copy that is interrupted before it can say no would take a lock of the pool with it.
        release()
        yield pool


@contextlib.contextmanager
def _held_signals() -> Iterator[Callable[[], None]]:
    """Hold back requests to stop, for this thread and those that it starts, until the given function is called."""
    if sys.platform == "win32":
        yield lambda: None
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _STOPS)

    def release() -> None:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)

    try:
        yield release
    finally:
        release()


def end_with_parent(parent: int) -> None:
    """From now on end with the process that started this one, at once if it is gone already; where the kernel offers
    that. parent is the process's id as it says itself: seen from here, it might be that of whoever took over.
    """
    watch = _death_watch()
    if watch is not None:
        watch(parent)


def _serve(parent: int, watch: Callable[[int], None] | None) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if sys.platform != "win32":
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _STOPS)
    if watch is not None:
        watch(parent)


def _death_watch() -> Callable[[int], None] | None:
    """What a new process calls to die with the parent whose id it is given, where the kernel offers that."""
    if sys.platform != "linux":
        return None
    prctl, getppid, leave = ctypes.CDLL(None, use_errno=True).prctl, os.getppid, os._exit
    kill_signal = int(signal.SIGKILL)

    def watch(parent: int) -> None:
        prctl(_DEATH_SIGNAL, kill_signal)
        if getppid() != parent:
            # The parent died before it could be watched.
            leave(1)

    return watch


def _bounded(limits: Limits) -> Callable[[], None] | None:
    """What the child does between fork and exec: system calls only, all looked up beforehand, so that no lock is
    taken that another thread may hold.
    """
    if sys.platform == "win32":
        return None
    import resource

    bounds = [(resource.RLIMIT_CORE, 0)]
    if limits.memory_bytes is not None:
        bounds.append((resource.RLIMIT_DATA, limits.memory_bytes))
    if limits.file_bytes is not None:
        bounds.append((resource.RLIMIT_FSIZE, limits.file_bytes))
    watch, parent, setrlimit = _death_watch(), os.getpid(), resource.setrlimit

    def bound() -> None:
        for kind, most in bounds:
            setrlimit(kind, (most, most))
        if watch is not None:
            watch(parent)

    return bound
