"""The room's server: its routes, its error answers, and how it starts and stops."""

from __future__ import annotations

import asyncio
import contextlib
import contextvars
import functools
import socket
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from types import FrameType
from typing import Any, cast

import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from pulsefind.core.errors import PulsefindError
from pulsefind.core.words import name_text
from pulsefind.room.actions import Actions
from pulsefind.room.board import Board
from pulsefind.room.doors import Door, Doors
from pulsefind.room.guard import Guard, refused
from pulsefind.room.making import Making
from pulsefind.room.place import Place
from pulsefind.room.refusing import RefusedError
from pulsefind.room.views import Views
from pulsefind.room.windows import Windows
from pulsefind.room.work import Work

PORT = 7346
"""The same one every time if it is free, because browsers keep a page's settings (delays, light) by address.
Judged: no common service uses it."""

_TICK_S = 0.5  # judged: how soon the end is noticed
_BACKLOG = 256  # judged: more than the connections that are kept
_CLOSE_S = 2  # judged: what is being answered may end


@dataclass(frozen=True)
class Opening:
    """What a room starts with: its folder, the command that starts a worker, and what to do once it has an address."""

    place: Place
    worker: Sequence[str]
    opened: Callable[[Guard], None]
    port: int = PORT


def run(opening: Opening) -> None:
    """Run the room until its last window closes or we are told to stop; nothing is left running afterwards."""
    board = Board(opening.place, Work(opening.worker))
    # Before the server, which would tell the programmer of a folder that can't be used, and not the person.
    making = Making(board)
    with _listening(opening.port) as listener:
        server = _server(opening.opened, board, making, listener.getsockname()[1])
        # One request may write what another has read, so the command's own record of its inputs must not apply in here.
        contextvars.Context().run(server.run, sockets=[listener])


@contextlib.contextmanager
def _listening(port: int) -> Any:
    """A socket that only this machine can reach, on the usual port or any free one."""
    listener = socket.socket()
    try:
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(("127.0.0.1", port))
        except OSError:
            listener.bind(("127.0.0.1", 0))
        # From here on, connections wait until the server is ready to answer.
        listener.listen(_BACKLOG)
        yield listener
    finally:
        listener.close()


class _Server(uvicorn.Server):
    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Close in order; to be told again changes nothing (the server would drop what is being closed)."""
        if not self.should_exit:
            super().handle_exit(sig, frame)


def _server(opened: Callable[[Guard], None], board: Board, making: Making, port: int) -> uvicorn.Server:
    doors = Doors()

    @contextlib.asynccontextmanager
    async def living(app: Starlette) -> AsyncIterator[None]:
        async with _life(board, making, app, server):
            opened(guard)
            yield

    app = Starlette(lifespan=living, exception_handlers=_HANDLERS)
    guard = Guard(app, port, doors)
    server = _Server(config_of(guard, doors))
    return server


def config_of(guard: Guard, doors: Doors) -> uvicorn.Config:
    """The server's settings: plain HTTP, bounded connections, no headers about itself."""
    return uvicorn.Config(
        guard,
        http=cast("Any", functools.partial(Door, doors)),
        ws="none",
        interface="asgi3",
        lifespan="on",
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_config=None,
        timeout_graceful_shutdown=_CLOSE_S,
    )


@contextlib.asynccontextmanager
async def _life(board: Board, making: Making, app: Starlette, server: uvicorn.Server) -> AsyncIterator[None]:
    """Start everything the room needs, and stop it at the end."""
    work, windows = board.work, Windows()
    views, actions = Views(board, making, windows), Actions(board, making, windows)
    app.router.routes.extend(_routes(views, actions))
    work.start()
    # Before the address is printed, so that the first page already lists the songs.
    await board.see()
    tasks = [asyncio.create_task(board.keep_looking()), asyncio.create_task(_watch(windows, work, actions, server))]
    for task in tasks:
        # Both run as long as the room does. If one fails, close: a room that never updates would be worse than none.
        task.add_done_callback(lambda _: setattr(server, "should_exit", True))
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        broken = [one for one in await asyncio.gather(*tasks, return_exceptions=True) if isinstance(one, Exception)]
        await asyncio.to_thread(work.end)
        await board.end()
        making.clear()
        if broken:
            raise broken[0]


async def _watch(windows: Windows, work: Work, actions: Actions, server: uvicorn.Server) -> None:
    """Stop when the last window is gone, or when a window asks for it."""
    while not windows.are_gone(work.busy):
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(actions.closing.wait(), _TICK_S)
            break
    server.should_exit = True


def _routes(views: Views, actions: Actions) -> list[Route]:
    shown = {
        "/": views.room,
        "/news": views.news,
        "/songs/{song}/": views.page,
        "/songs/{song}/sound/{piece}": views.sound,
        "/songs/{song}/told": views.told,
        "/files/{file}": views.file,
    }
    done = {
        "/leave": actions.leave,
        "/close": actions.close,
        "/set": actions.order,
        "/demo": actions.demo,
        "/make": actions.make,
        "/songs/{song}/again": actions.again,
        "/songs/{song}/alone": actions.leave_alone,
        "/songs/{song}/away": actions.away,
        "/songs/{song}/tell": actions.tell,
        "/songs/{song}/undo": actions.undo,
        "/songs/{song}/make": actions.make_of_song,
    }
    come = {"/songs": actions.song, "/songs/{song}/takes": actions.take}
    return [
        *(Route(path, answer, methods=["GET"]) for path, answer in shown.items()),
        *(Route(path, answer, methods=["POST"]) for path, answer in done.items()),
        *(Route(path, answer, methods=["PUT"]) for path, answer in come.items()),
    ]


async def _refuse(_: Request, error: Exception) -> Response:
    assert isinstance(error, RefusedError)
    return refused(error)


async def _say(_: Request, error: Exception) -> Response:
    """Pass on the one line with which a command refuses its input."""
    return PlainTextResponse(f"{' '.join(name_text(str(error)).split())}\n", 422)


async def _gone(_: Request, __: Exception) -> Response:
    """The sender disconnected halfway; nobody reads this answer."""
    return Response(status_code=400)


_HANDLERS: dict[Any, Any] = {RefusedError: _refuse, PulsefindError: _say, ClientDisconnect: _gone}
