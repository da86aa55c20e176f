"""Requests to stop (Ctrl-C, kill, a closed terminal): one line, and the exit code that shells use for it."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable

SIGNALS = (signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM))
_AGAIN_S = 0.01  # judged: Python drops an exit that is raised while it imports


def stop_at_once(program: str) -> None:
    """From now on, end at once when told to: for use while a program is still loading."""

    def leave(number: int, _: object) -> None:
        os.write(2, f"{program}: stopped\n".encode())
        os._exit(128 + number)

    for number in SIGNALS:
        signal.signal(number, leave)


def stop_in_order(program: str, before: Callable[[], None] = lambda: None) -> None:
    """From now on, end cleanly when told to: temporary files go, children end; further requests change nothing.

    `before` is called before the line is printed.
    """

    def stop(number: int, _: object) -> None:
        for other in SIGNALS:
            signal.signal(other, signal.SIG_IGN)
        before()
        print(f"{program}: stopped", file=sys.stderr)
        _exit_for_certain(128 + number)

    for number in SIGNALS:
        signal.signal(number, stop)


def _exit_for_certain(code: int) -> None:
    """Raise SystemExit, and again if Python drops it: exceptions from its own callbacks, such as those of an import,
    are only reported, and the program would go on.
    """

    def again(dropped: sys.UnraisableHookArgs) -> None:
        if dropped.exc_type is not SystemExit:
            sys.__unraisablehook__(dropped)
        elif hasattr(signal, "setitimer"):
            signal.signal(signal.SIGALRM, lambda *_: sys.exit(code))
            signal.setitimer(signal.ITIMER_REAL, _AGAIN_S)

    sys.unraisablehook = again
    sys.exit(code)
