"""The windows that are open: the room ends with the last one."""

from __future__ import annotations

import time
from collections.abc import Callable

LEFT_S = 5.0
"""After the last window said that it goes: a page that is left for another, or loaded anew, is back sooner (judged)."""

LEFT_BUSY_S = 60.0
"""The same while songs are being heard: time to come back (judged)."""

SILENT_S = 150.0
"""A window that says nothing for so long is gone without a word. Browsers let a hidden one speak once a
minute (from memory)."""

OPENING_S = 30.0
"""A page that was handed out speaks once it is drawn, on a busy machine only after a while (judged)."""

MOST = 100  # judged: windows that nobody has open at once


class Windows:
    """Who was heard of when; `now` tells seconds."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._seen: dict[str, float] = {}
        self._last_s: float | None = None
        self._opening_s: float | None = None

    def opening(self) -> None:
        """A page was handed out: its window will say that it is there."""
        self._opening_s = self._now()

    def seen(self, window: str) -> None:
        """A window is there."""
        self._seen.pop(window, None)
        self._seen[window] = self._last_s = self._now()
        self._opening_s = None
        while len(self._seen) > MOST:
            del self._seen[next(iter(self._seen))]

    def left(self, window: str) -> None:
        """A window goes."""
        if self._seen.pop(window, None) is not None:
            self._last_s = self._now()

    def are_gone(self, busy: bool) -> bool:
        """Was there a window, and is none left for a while?"""
        now = self._now()
        self._seen = {window: at for window, at in self._seen.items() if now - at < SILENT_S}
        if self._seen or self._last_s is None:
            return False
        if self._opening_s is not None and now - self._opening_s < OPENING_S:
            return False
        return now - self._last_s >= (LEFT_BUSY_S if busy else LEFT_S)
