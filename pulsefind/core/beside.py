"""Work that goes on beside other work, on a second processor where there is one."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Beside(Generic[T]):
    """Work that was started in a thread of its own; NumPy and SciPy let two of them run at once.

    What it does must not depend on anything that changes meanwhile, so that its result is the same as without a thread.
    The thread ends with the process: whoever is told to stop doesn't wait for it.

    >>> Beside(lambda: 2 + 2).result()
    4
    """

    def __init__(self, work: Callable[[], T]) -> None:
        """Start the work."""
        self._work = work
        self._found: list[T] = []
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._found.append(self._work())
        except BaseException as error:
            # It is raised where the result is asked for.
            self._error = error

    def result(self) -> T:
        """What came out, as soon as it is there; what went wrong is raised here."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._found[0]
