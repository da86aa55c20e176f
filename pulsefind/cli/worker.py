"""A worker of the room: reads one task per line, runs commands to do it, and writes progress and results as lines.

Only the room starts it: `python -m pulsefind.cli.worker PROCESS`, PROCESS being the room's own id.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import traceback
import warnings
from typing import IO, Any

from pulsefind.core.child import end_with_parent
from pulsefind.core.errors import PulsefindError


class _Terminal(io.TextIOBase):
    """Stands in for the terminal: progress becomes stages, other lines become remarks."""

    def __init__(self, out: IO[bytes]) -> None:
        self._out = out

    def isatty(self) -> bool:
        """Claim to be a terminal, so that commands report progress."""
        return True

    def write(self, text: str) -> int:
        """Forward what a command prints."""
        shown = text.replace("\r\x1b[K", "").strip()
        if shown.endswith(" ..."):
            self.send(stage=shown.removesuffix(" ..."))
        elif shown:
            self.send(remark=shown.removeprefix("pulsefind: "))
        return len(text)

    def send(self, **said: Any) -> None:
        """Send one line to the room."""
        self._out.write(json.dumps(said).encode() + b"\n")
        self._out.flush()


def main() -> None:
    """Do one task after another until the room closes."""
    # First of all: what is imported below takes a while, and the room may be killed meanwhile.
    end_with_parent(int(sys.argv[1]))
    # Only our own lines may go into the pipe; discard whatever libraries print.
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    terminal, tasks = _Terminal(out), sys.stdin.buffer
    # Library warnings mean nothing to a drummer.
    warnings.showwarning = lambda *_, **__: None
    # Loaded before the first task comes.
    from pulsefind import analysis  # noqa: F401
    from pulsefind.cli import app  # noqa: F401
    from pulsefind.room import jobs  # noqa: F401

    sys.stderr = terminal
    for line in tasks:
        _do(json.loads(line), terminal)


def _do(task: dict[str, Any], terminal: _Terminal) -> None:
    from pulsefind.room.jobs import JOBS, Hands

    job = JOBS[task.pop("do")]
    try:
        result = job(Hands(_run, lambda stage: terminal.send(stage=stage)), **task)
    except PulsefindError as error:
        terminal.send(refused=" ".join(str(error).split()))
    except OSError as error:
        terminal.send(refused=f"{error.filename or 'the output'}: {error.strerror or error}")
    except Exception as error:  # noqa: BLE001 - one bad song must not take the worker down
        terminal.send(refused=f"this song broke the work ({type(error).__name__}); the others go on")
        print("".join(traceback.format_exception(error)), file=sys.__stderr__)
    else:
        terminal.send(result=result)


def _run(words: list[str]) -> str:
    """Run a command and return its output."""
    from pulsefind.cli.app import app

    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        code = app(words, standalone_mode=False)
    if code:
        raise PulsefindError(said.getvalue() or f"{words[0]} ended with {code}")
    return said.getvalue()


if __name__ == "__main__":
    main()
