"""Requests that change something: songs and takes uploaded, corrections saved, the set reordered, files made."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from pulsefind.core.given import SOUNDS
from pulsefind.demo import FILE_NAME
from pulsefind.room.board import Board, Entry
from pulsefind.room.coming import received
from pulsefind.room.guard import MOST_FILE_BYTES
from pulsefind.room.making import Making
from pulsefind.room.names import MIDI, checked_id, id_of, safe_name
from pulsefind.room.refusing import RefusedError
from pulsefind.room.shelf import REVIEW
from pulsefind.room.windows import Windows
from pulsefind.room.work import FIRST, Job

LONGEST_START_S = 4 * 3600.0  # the longest recording that is read (judged)


class Actions:
    """Handlers of the requests that change something."""

    def __init__(self, board: Board, making: Making, windows: Windows) -> None:
        self._board, self._making, self._windows = board, making, windows
        self.closing = asyncio.Event()

    async def leave(self, request: Request) -> Response:
        """A window is closing."""
        self._windows.left(request.query_params.get("window", "")[:40])
        return Response(status_code=204)

    async def close(self, _: Request) -> Response:
        """Close the room."""
        self.closing.set()
        return Response(status_code=204)

    # ---- songs

    async def song(self, request: Request) -> Response:
        """Receive a recording."""
        board = self._board
        name = safe_name(request.query_params.get("name", ""))
        with board.shelf.room_for(name) as path:
            others = [entry.song.track for entry in board.entries.values()]
            there = await received(_pieces(request), path, _told_bytes(request), others)
        await board.look()
        return JSONResponse({"id": id_of(there.name), "name": there.name, "was_there": there != path})

    async def demo(self, _: Request) -> Response:
        """Put the demo song on the shelf, for somebody who has no song at hand."""
        board = self._board
        was_there = any(entry.song.track.name == FILE_NAME for entry in board.entries.values())
        if not was_there:
            await board.work.done(Job({"do": "demo", "folder": str(board.place.folder)}, FIRST))
            await board.look()
        return JSONResponse({"id": id_of(FILE_NAME), "name": FILE_NAME, "was_there": was_there})

    async def order(self, request: Request) -> Response:
        """Reorder the set."""
        ids = (await _words(request)).get("songs")
        if not isinstance(ids, list) or not all(isinstance(one, str) for one in ids):
            raise RefusedError(400, "the set is a list of songs")
        await self._board.put_in_order([checked_id(one) for one in ids])
        await self._board.look()
        return Response(status_code=204)

    async def again(self, request: Request) -> Response:
        """Queue a song again that was left for later or couldn't be read."""
        self._board.hear_again(self._entry(request))
        await self._board.look()
        return Response(status_code=204)

    async def leave_alone(self, request: Request) -> Response:
        """Leave a song for later."""
        self._board.leave_alone(self._entry(request))
        return Response(status_code=204)

    async def away(self, request: Request) -> Response:
        """Move a song off the shelf."""
        await self._board.put_away(self._entry(request))
        return Response(status_code=204)

    # ---- what a person knows better

    async def tell(self, request: Request) -> Response:
        """Save corrections to the song's file and hear the song again with them."""
        entry, said = self._entry(request), await _words(request)
        base, values, dropped = said.get("base"), said.get("values"), said.get("dropped", [])
        if not (isinstance(base, str) and isinstance(values, dict) and isinstance(dropped, list)):
            raise RefusedError(400, "the page told nothing that can be kept")
        told = self._board.told(entry)
        changed = await asyncio.to_thread(told.tell, base, values, [str(one) for one in dropped])
        return await self._after(entry, changed)

    async def undo(self, request: Request) -> Response:
        """Undo the last correction."""
        entry = self._entry(request)
        if not await asyncio.to_thread(self._board.told(entry).undo):
            raise RefusedError(409, "there is nothing to take back, or the song's file was changed by hand since")
        return await self._after(entry, True)

    async def _after(self, entry: Entry, changed: bool) -> Response:
        if changed:
            self._board.hear_again(entry)
            await self._board.look()
        return JSONResponse({"changed": changed})

    # ---- takes

    async def take(self, request: Request) -> Response:
        """Receive a take: keep it, review it, add it to the history."""
        entry, board = self._entry(request), self._board
        name = safe_name(request.query_params.get("name", ""), (*SOUNDS, *MIDI))
        starts_at_s = _starts_at(request.query_params.get("starts_at"))
        if entry.shown is None:
            raise RefusedError(409, "this song is still being heard")
        folder = board.shelf.takes_folder(entry.song)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{datetime.now().astimezone():%Y-%m-%d %H.%M.%S} {name}"
        await received(_pieces(request), path, _told_bytes(request))
        review = path.with_suffix(REVIEW)
        words = ["take", str(entry.song.saved), str(path), "--history", str(board.place.history), "--out", str(review)]
        words += [] if starts_at_s is None else [f"--starts-at={starts_at_s:.3f}"]
        try:
            done = await board.work.done(Job({"do": "command", "words": words}, FIRST, entry.song.id))
        finally:
            await board.look()
        verdict = json.loads(await asyncio.to_thread(review.read_bytes))["verdict"]
        if verdict != "reviewed":
            # Without a review the page has nothing to show; the command's own words say what to do.
            await asyncio.to_thread(review.unlink)
            await board.look()
        return JSONResponse({"take": id_of(path.name), "is_reviewed": verdict == "reviewed", "said": done["said"]})

    # ---- files

    async def make(self, request: Request) -> Response:
        """Make a file for the whole set."""
        asked = await _words(request)
        file_id, unheard = await self._making.sheets(asked.get("pdf") is True)
        return JSONResponse({"file": file_id, "unheard": unheard})

    async def make_of_song(self, request: Request) -> Response:
        """Make a file for one song."""
        asked = await _words(request)
        return JSONResponse({"file": await self._making.of_song(self._entry(request), str(asked.get("what")), asked)})

    def _entry(self, request: Request) -> Entry:
        return self._board.entry(checked_id(request.path_params["song"]))


async def _pieces(request: Request) -> AsyncIterator[bytes]:
    async for piece in request.stream():
        yield piece


def _told_bytes(request: Request) -> int:
    """How many bytes the request says it will send; 0 if it doesn't say."""
    told = request.headers.get("content-length", "")
    return min(int(told), MOST_FILE_BYTES) if told.isdigit() else 0


async def _words(request: Request) -> dict[str, Any]:
    """The JSON object in a request's body.

    Raises
    ------
    RefusedError
        if it holds anything else.
    """
    try:
        said = json.loads(await request.body() or b"{}")
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict):
        raise RefusedError(400, "what was sent is no JSON object")
    return said


def _starts_at(text: str | None) -> float | None:
    """Where in the song a take starts, in seconds; None if the request doesn't say."""
    if not text:
        return None
    try:
        starts_at_s = float(text)
    except ValueError:
        starts_at_s = float("nan")
    if not abs(starts_at_s) <= LONGEST_START_S:
        raise RefusedError(400, "the take's start is a time in seconds")
    return starts_at_s
