"""The room's server: which address leads where, what is refused, and how it starts and ends."""

from __future__ import annotations

import asyncio
import contextlib
import contextvars
import functools
import socket
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
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
"""Always the same one where it is free: what a browser keeps for the page (delays, light) belongs to an address.
Judged: no common service has it."""

_TICK_S = 0.5  # judged: how soon the end is noticed
_BACKLOG = 256  # judged: more than the connections that are kept
_CLOSE_S = 2  # judged: what is being answered may end


@dataclass(frozen=True)
class Opening:
    """How a room opens: its folder, the command of its workers, and what is done with its address and ticket."""

    place: Place
    worker: Sequence[str]
    opened: Callable[[Guard], None]
    port: int = PORT


def run(opening: Opening) -> None:
    """Run the room until its window is closed, or we are told to stop; nothing is left running then."""
    with _listening(opening.port) as listener:
        server = _server(opening, listener.getsockname()[1])
        # What one request reads, another may write: nothing of the command's own bookkeeping holds in here.
        contextvars.Context().run(server.run, sockets=[listener])


@contextlib.contextmanager
def _listening(port: int) -> Any:
    """A socket that this machine alone can reach, at the usual port or at any that is free."""
    listener = socket.socket()
    try:
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(("127.0.0.1", port))
        except OSError:
            listener.bind(("127.0.0.1", 0))
        # From here on who comes waits until the server answers.
        listener.listen(_BACKLOG)
        yield listener
    finally:
        listener.close()


def _server(opening: Opening, port: int) -> uvicorn.Server:
    doors = Doors()

    @contextlib.asynccontextmanager
    async def living(app: Starlette) -> AsyncIterator[None]:
        async with _life(opening, app, server):
            opening.opened(guard)
            yield

    app = Starlette(lifespan=living, exception_handlers=_HANDLERS)
    guard = Guard(app, port, doors)
    server = uvicorn.Server(config_of(guard, doors))
    return server


def config_of(guard: Guard, doors: Doors) -> uvicorn.Config:
    """How the server speaks: HTTP alone, through bounded doors, and no word about itself."""
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
async def _life(opening: Opening, app: Starlette, server: uvicorn.Server) -> AsyncIterator[None]:
    """All that works while the room is open."""
    work = Work(opening.worker)
    board = Board(opening.place, work)
    windows, making = Windows(), Making(board)
    views, actions = Views(board, making, windows), Actions(board, making, windows)
    app.router.routes.extend(_routes(views, actions))
    work.start()
    # Before the address is said: the first window has the songs in it from its first line on.
    await board.see()
    tasks = [asyncio.create_task(board.keep_looking()), asyncio.create_task(_watch(windows, work, actions, server))]
    for task in tasks:
        # Neither ends before the room does; if one breaks, a room that stands still would be worse than none.
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
    """End with the last window, or when a window says so."""
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
        "/songs/{song}/sound": views.sound,
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
    """What a command refuses in one line."""
    return PlainTextResponse(f"{' '.join(name_text(str(error)).split())}\n", 422)


async def _gone(_: Request, __: Exception) -> Response:
    """Who sent something left in the middle of it."""
    return Response(status_code=400)


_HANDLERS: dict[Any, Any] = {RefusedError: _refuse, PulsefindError: _say, ClientDisconnect: _gone}
