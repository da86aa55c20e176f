"""Jobs at work: each in a fresh Python, or, much cheaper, in a forked copy of this process, which has loaded all."""

from __future__ import annotations

import importlib
import os
import pkgutil
import runpy
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import NoReturn

import pulsefind
from eval.robustness.jobs import Job, environment

_LOOK_S = 0.005
_PROGRAMS = ("pulsefind", "eval")


class Work:
    """A job at work in a folder: `pid` leads a group of its own; `said` are its error messages, once it has ended."""

    def __init__(self, job: Job, place: Path, *more: str, fresh: bool = False) -> None:
        """Start it, with a cache and a place for temporary files of its own."""
        (place / "tmp").mkdir(exist_ok=True)
        self._told = tempfile.TemporaryFile()  # noqa: SIM115 - closed when the job has ended
        self._code: int | None = None
        self.said = ""
        self.pid = os.fork()
        if not self.pid:
            _be([*job.arguments, *more], place, self._told.fileno(), fresh or job.arguments[0] not in _PROGRAMS)

    def poll(self) -> int | None:
        """Its exit code, or less than 0 for a signal, if it has ended."""
        if self._code is None:
            ended, status = os.waitpid(self.pid, os.WNOHANG)
            if ended:
                self._code = os.waitstatus_to_exitcode(status)
                with self._told as file:
                    file.seek(0)
                    self.said = file.read().decode(errors="replace")
        return self._code

    def wait(self, patience_s: float) -> int:
        """Wait for its end.

        Raises
        ------
        TimeoutError
            if that takes longer.
        """
        last_s = time.monotonic() + patience_s
        while (code := self.poll()) is None:
            if time.monotonic() > last_s:
                raise TimeoutError
            time.sleep(_LOOK_S)
        return code


def load_all() -> None:
    """Load all that a job may need, so that its copies needn't."""
    for module in pkgutil.walk_packages(pulsefind.__path__, "pulsefind."):
        if not module.name.endswith(("__main__", "madmom_name")):
            importlib.import_module(module.name)


def _be(arguments: list[str], place: Path, said: int, fresh: bool) -> NoReturn:
    """Become the job: never comes back."""
    try:
        os.setsid()
        os.chdir(place)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for number, target in ((0, nowhere), (1, nowhere), (2, said)):
            os.dup2(target, number)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        told = environment(place)
        if fresh:
            os.execve(sys.executable, [sys.executable, "-m", *arguments], told)  # noqa: S606 - no shell is needed
        os.environ.update(told)
        tempfile.tempdir = None
        sys.argv = arguments
        sys.stdout, sys.stderr = (os.fdopen(number, "w", buffering=1, closefd=False) for number in (1, 2))
        runpy.run_module(arguments[0], run_name="__main__")
        code: object = 0
    except SystemExit as end:
        code = end.code or 0
    except BaseException:  # noqa: BLE001 - what Python itself would do with it
        traceback.print_exc()
        code = 1
    sys.stderr.flush()
    os._exit(code if isinstance(code, int) else 1)
