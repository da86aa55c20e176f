"""The open windows; the room closes after the last one."""

from __future__ import annotations

import time
from collections.abc import Callable

LEFT_S = 5.0
"""How long to wait after the last window closed; a reload or a change of page takes less (judged)."""

LEFT_BUSY_S = 60.0
"""The same while songs are being heard, to give people time to come back (judged)."""

SILENT_S = 150.0
"""A window that is silent for this long is gone. Browsers let hidden windows run once a minute (from memory)."""

OPENING_S = 30.0
"""How long a page may take to load and make its first request on a busy machine (judged)."""

MOST = 100  # judged: more windows than anybody has open


class Windows:
    """When each window was last heard from; now gives the time in seconds."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._seen: dict[str, float] = {}
        self._last_s: float | None = None
        self._opening_s: float | None = None

    def opening(self) -> None:
        """A page was sent; its window will report soon."""
        self._opening_s = self._now()

    def seen(self, window: str) -> None:
        """A window has reported."""
        self._seen.pop(window, None)
        self._seen[window] = self._last_s = self._now()
        self._opening_s = None
        while len(self._seen) > MOST:
            del self._seen[next(iter(self._seen))]

    def left(self, window: str) -> None:
        """A window has closed."""
        if self._seen.pop(window, None) is not None:
            self._last_s = self._now()

    def are_gone(self, busy: bool) -> bool:
        """Has the last window been gone for long enough?"""
        now = self._now()
        self._seen = {window: at for window, at in self._seen.items() if now - at < SILENT_S}
        if self._seen or self._last_s is None:
            return False
        if self._opening_s is not None and now - self._opening_s < OPENING_S:
            return False
        return now - self._last_s >= (LEFT_BUSY_S if busy else LEFT_S)
