"""Nobody else gets in: every request needs the token, this machine's own Host, and no foreign Origin.

The token is the first part of every path, so links, scripts and addresses saved from an earlier run get nowhere. Host
must match exactly, which stops pages whose own name was pointed at this machine; Origin and Sec-Fetch-Site stop other
sites from sending requests. No other origin is ever allowed anything (no CORS).
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
import time
from collections.abc import MutableMapping
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pulsefind.room.doors import Doors
from pulsefind.room.refusing import RefusedError

MOST_FILE_BYTES = 4 * 2**30
"""The largest recording. Three hours of 24-bit stereo take 2.9 GB at 44.1 kHz, and 6.2 GB at 96 kHz (judged)."""

MOST_WORDS_BYTES = 2**20
"""The largest of all other requests: four hours of taps take about half of it (measured on such a song's file)."""

SILENT_S = 20.0
"""Give up on a sender that is silent for this long (judged)."""

TICKET_LIFE_S = 120.0  # judged: a browser that starts for the first time

POLICY = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
"""For every answer but pages, which bring a policy of their own that admits their script and this server."""

_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "x-frame-options": "DENY",
    "cache-control": "no-store",
}

_SAFE = ("GET", "HEAD")


class Guard:
    """Checks every request before the application sees it."""

    def __init__(self, app: ASGIApp, port: int, doors: Doors) -> None:
        self.app, self.doors = app, doors
        self.host = f"127.0.0.1:{port}"
        self.token = secrets.token_urlsafe(24)
        self._ticket: tuple[str, float] | None = None

    @property
    def address(self) -> str:
        """The room's address, token included."""
        return f"http://{self.host}/{self.token}/"

    def ticket(self) -> str:
        """An address that works once, for a short time: other users can see the command line that starts a browser."""
        word = secrets.token_urlsafe(24)
        self._ticket = word, time.monotonic()
        return f"http://{self.host}/once/{word}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it in one line."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            raise RuntimeError("only HTTP is spoken here")
        try:
            self._check(scope)
            if self._takes_ticket(scope["path"]):
                await RedirectResponse(self.address, 303, _HEADERS)(scope, receive, send)
                return
            self._check_token(scope)
        except RefusedError as error:
            await refused(error)(scope, receive, send)
            return
        self.doors.let_in(scope["client"])
        await self.app(scope, _Bounded(scope, receive), _with_headers(send))

    def _check(self, scope: Scope) -> None:
        headers = Headers(scope=scope)
        if headers.getlist("host") != [self.host]:
            raise RefusedError(403, "not this machine's own address")
        origin = headers.get("origin")
        foreign = origin is not None and origin != f"http://{self.host}"
        if foreign or (origin is None and scope["method"] not in _SAFE):
            raise RefusedError(403, "only the room's own window may do this")
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            raise RefusedError(403, "another page may not ask here")

    def _takes_ticket(self, path: str) -> bool:
        if self._ticket is None or not path.startswith("/once/"):
            return False
        (word, made_s), given = self._ticket, path.removeprefix("/once/")
        if not hmac.compare_digest(word.encode(), given.encode("utf-8", "replace")):
            return False
        self._ticket = None
        return time.monotonic() - made_s < TICKET_LIFE_S

    def _check_token(self, scope: MutableMapping[str, Any]) -> None:
        """Check the token and strip it from the path."""
        given, slash, rest = scope["path"].removeprefix("/").partition("/")
        if not (slash and hmac.compare_digest(given.encode("utf-8", "replace"), self.token.encode())):
            raise RefusedError(403, "this address is of an earlier run, or not whole; start pulsefind room again")
        scope["path"], scope["raw_path"], scope["root_path"] = f"/{rest}", f"/{rest}".encode("utf-8", "replace"), ""


class _Bounded:
    """A request's body, with limits on its size and on how long it may stall."""

    def __init__(self, scope: Scope, receive: Receive) -> None:
        self._receive, self._whole, self._bytes = receive, False, 0
        is_file = scope["method"] == "PUT"
        self._most = MOST_FILE_BYTES if is_file else MOST_WORDS_BYTES
        told = Headers(scope=scope).get("content-length", "0")
        self._told = int(told) if told.isdigit() else 0

    async def __call__(self) -> Message:
        if self._whole:
            return await self._receive()
        self._check(self._told)
        try:
            message = await asyncio.wait_for(self._receive(), SILENT_S)
        except TimeoutError:
            raise RefusedError(408, "nothing came for a while; try again") from None
        self._bytes += len(message.get("body", b""))
        self._check(self._bytes)
        self._whole = not message.get("more_body", False)
        return message

    def _check(self, n_bytes: int) -> None:
        if n_bytes > self._most:
            size = f"{self._most / 2**30:.0f} GB" if self._most >= 2**30 else f"{self._most / 2**20:.0f} MB"
            raise RefusedError(413, f"larger than {size}; a recording that large is cut into parts first")


def refused(error: RefusedError) -> PlainTextResponse:
    """The answer to a refused request; it also closes the connection."""
    headers = {**_HEADERS, "content-security-policy": POLICY, "connection": "close"}
    return PlainTextResponse(f"{error.line}\n", error.status, headers)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("content-security-policy", POLICY)
        await send(message)

    return sending
