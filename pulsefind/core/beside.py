"""Work that goes on beside other work, on a second processor where there is one."""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Generic, Self, TypeVar

T = TypeVar("T")


class Beside(Generic[T]):
    """Work in a thread of its own for the length of a block; NumPy and SciPy let two threads run at once.

    The work must not depend on anything that changes meanwhile, so that its result is the same as without a thread. If
    the block is left by an error or a request to stop, the work ends at its next step, and the block waits for that.

    >>> with Beside(lambda: 2 + 2) as adding:
    ...     adding.result()
    4
    """

    def __init__(self, work: Callable[[], T]) -> None:
        """Keep the work; it starts with the block."""
        self._work = work
        self._found: list[T] = []
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        """Start."""
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Wait for the end, which comes soon after an error."""
        if kind is not None and self._thread.is_alive():
            # CPython's own way to raise in another thread, where the exception ends it silently.
            thread = ctypes.c_ulong(self._thread.ident or 0)
            ctypes.pythonapi.PyThreadState_SetAsyncExc(thread, ctypes.py_object(SystemExit))
        self._thread.join()

    def _run(self) -> None:
        try:
            self._found.append(self._work())
        except BaseException as raised:  # noqa: BLE001 - told to who asks for the result
            # It is raised where the result is asked for. After a stop nobody asks, and its traceback would keep alive
            # what
            # the work used: libraries that count their objects would complain at the end.
            self._error = raised.with_traceback(None) if isinstance(raised, SystemExit) else raised

    def result(self) -> T:
        """The result, once it is there; an error in the work is raised here."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._found[0]
