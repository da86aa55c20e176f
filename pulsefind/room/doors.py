"""Connections, bounded: so many at once, and none that is slow to say what it wants.

Where there are too many, those go first that never came with the token: strangers don't keep the owner out.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST = 64
"""A browser opens six to one server at most; a few windows are open (judged)."""

HEAD_S = 10.0
"""For a request's first lines (judged)."""


class Doors:
    """All connections, oldest first."""

    def __init__(self, most: int = MOST, head_s: float = HEAD_S) -> None:
        self.most, self.head_s = most, head_s
        self._open: dict[Any, Door] = {}

    def opened(self, door: Door) -> None:
        """A connection more; the oldest stranger's goes where there are too many, or else this one."""
        if len(self._open) >= self.most:
            stranger = next((other for other in self._open.values() if not other.is_owner), door)
            stranger.shut()
        if not door.transport.is_closing():
            self._open[door.client] = door

    def closed(self, door: Door) -> None:
        """A connection fewer."""
        if self._open.get(door.client) is door:
            del self._open[door.client]

    def let_in(self, client: tuple[str, int] | None) -> None:
        """Who spoke there has the token."""
        door = self._open.get(client)
        if door is not None:
            door.is_owner = True

    def __len__(self) -> int:
        """How many there are."""
        return len(self._open)


class Door(H11Protocol):
    """One connection, with a bound on the time that a request's first lines may take."""

    def __init__(self, doors: Doors, **given: Any) -> None:
        super().__init__(**given)
        self.is_owner = False
        self._doors, self._late = doors, None  # type: tuple[Doors, asyncio.TimerHandle | None]

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Somebody connects."""
        super().connection_made(transport)
        self._doors.opened(self)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Somebody speaks."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Somebody leaves."""
        super().connection_lost(exc)
        self._doors.closed(self)
        if self._late is not None:
            self._late.cancel()

    @property
    def _is_answered(self) -> bool:
        """Is a request under way?"""
        return self.cycle is not None and not self.cycle.response_complete

    def _watch(self) -> None:
        if self._is_answered and self._late is not None:
            self._late.cancel()
            self._late = None
        elif not self._is_answered and self._late is None:
            self._late = self.loop.call_later(self._doors.head_s, self._is_late)

    def _is_late(self) -> None:
        self._late = None
        if not self._is_answered:
            self.shut()

    def shut(self) -> None:
        """End it, whatever is under way."""
        self._doors.closed(self)
        self.transport.abort()
