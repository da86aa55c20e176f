"""Bounds on connections: how many at once, and how long each may take to send its request.

When there are too many, the ones that never showed the token go first, so that strangers can't lock the owner out.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST = 64
"""Browsers open at most six to one server; this allows for a few windows (judged)."""

HEAD_S = 10.0
"""Time to send a request's head (judged)."""


class Doors:
    """All open connections, oldest first."""

    def __init__(self, most: int = MOST, head_s: float = HEAD_S) -> None:
        self.most, self.head_s = most, head_s
        self._open: dict[Any, Door] = {}

    def opened(self, door: Door) -> None:
        """Add a connection; if there are too many, drop the oldest stranger, or else this one."""
        if len(self._open) >= self.most:
            stranger = next((other for other in self._open.values() if not other.is_owner), door)
            stranger.shut()
        if not door.transport.is_closing():
            self._open[door.client] = door

    def closed(self, door: Door) -> None:
        """Forget a connection."""
        if self._open.get(door.client) is door:
            del self._open[door.client]

    def let_in(self, client: tuple[str, int] | None) -> None:
        """Note that this connection showed the token."""
        door = self._open.get(client)
        if door is not None:
            door.is_owner = True

    def __len__(self) -> int:
        """How many connections are open."""
        return len(self._open)


class Door(H11Protocol):
    """One connection, with a limit on how long a request's head may take."""

    def __init__(self, doors: Doors, **given: Any) -> None:
        super().__init__(**given)
        self.is_owner = False
        self._doors, self._late = doors, None  # type: tuple[Doors, asyncio.TimerHandle | None]

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Start the clock on a new connection."""
        super().connection_made(transport)
        self._doors.opened(self)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Take data, and start or stop the clock."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Clean up after a connection."""
        super().connection_lost(exc)
        self._doors.closed(self)
        if self._late is not None:
            self._late.cancel()

    @property
    def _is_answered(self) -> bool:
        """Is a request being answered?"""
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
        """Close the connection, whatever is going on."""
        self._doors.closed(self)
        self.transport.abort()
