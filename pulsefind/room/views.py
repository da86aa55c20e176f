"""Requests that change nothing: the room's page, its news, a song's page and its audio."""

from __future__ import annotations

import asyncio
import html
import re
import time
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response

from pulsefind.core.given import SOUNDS
from pulsefind.core.hints import parse_whole
from pulsefind.core.words import name_text
from pulsefind.page.page import piece_of
from pulsefind.page.pdf import find_browser
from pulsefind.page.room_page import RoomPage
from pulsefind.page.sheet import tempo_jumps
from pulsefind.room.board import Board, Entry
from pulsefind.room.guard import MOST_FILE_BYTES
from pulsefind.room.jobs import SOUND
from pulsefind.room.making import CLICKS, KINDS, SPEEDS, Making
from pulsefind.room.names import checked_id
from pulsefind.room.progress import STAGES
from pulsefind.room.refusing import RefusedError
from pulsefind.room.told import mark_of, text_of
from pulsefind.room.windows import Windows
from pulsefind.room.work import LATER

_FRAME = "frame-ancestors 'none'"
_FRAMED = "frame-ancestors 'self'"  # for a sheet, which the room prints from a frame
_POLICY = re.compile(r'http-equiv="Content-Security-Policy" content="([^"]*)"')
_HEAD_CHARACTERS = 4096  # judged: the policy is in the first few lines


class Views:
    """Handlers of the requests that change nothing."""

    def __init__(self, board: Board, making: Making, windows: Windows) -> None:
        self._board, self._making, self._windows = board, making, windows
        self._choices = {
            "endings": list(SOUNDS),
            "clicks": [list(pair) for pair in CLICKS.items()],
            "speeds": list(SPEEDS),
            "kinds": list(KINDS),
        }
        self._room = RoomPage()

    async def room(self, _: Request) -> Response:
        """The room's page, with the list in it, so that it can be shown without another request."""
        self._windows.opening()
        text, policy = self._room.html({**self._choices, "state": self.state()})
        return HTMLResponse(text, headers={"content-security-policy": f"{policy}; {_FRAME}"})

    async def news(self, request: Request) -> Response:
        """Everything a window shows, or nothing if it has the latest; also notes that the window is alive."""
        self._windows.seen(request.query_params.get("window", "")[:40])
        if request.query_params.get("since") == str(self._board.version):
            return Response(status_code=204)
        return JSONResponse(self.state())

    def state(self) -> dict[str, Any]:
        """Everything a window shows."""
        board = self._board
        # Read first, so that a change made while we gather the rest counts as unseen.
        version = board.version
        songs = [self._song(entry) for entry in board.entries.values()]
        bpm = [float((board.entries[one].shown or {}).get("bpm", 0.0)) for one in board.listed if one in board.entries]
        left = [song["left_s"] for song in songs if song["state"] in ("waiting", "hearing")]
        known = bool(left) and all(one is not None for one in left)
        return {
            "version": version,
            "folder": name_text(board.place.folder),
            "own": board.place.own,
            "bytes": board.n_bytes,
            "trouble": name_text(board.trouble),
            "songs": songs,
            "set": [one for one in board.listed if one in board.entries],
            "jumps": tempo_jumps(bpm),
            "left_s": sum(left) / max(1, board.work.hearings) if known else None,
            "can_pdf": find_browser() is not None,
            "most_bytes": MOST_FILE_BYTES,
        }

    def _song(self, entry: Entry) -> dict[str, Any]:
        state, doing, left_s = self._doing(entry)
        began_s = None if entry.job is None else entry.job.began_s
        return {
            "id": entry.song.id,
            "file": name_text(entry.song.track.name),
            "title": name_text(entry.song.track.stem),
            **(entry.shown or {}),
            "length_s": entry.length_s,
            "state": state,
            "doing": doing,
            "left_s": left_s,
            "so_far_s": 0.0 if began_s is None else round(time.monotonic() - began_s, 1),
            "trouble": name_text(entry.trouble),
            "remarks": [*(entry.shown or {}).get("remarks", []), *entry.remarks],
            "can_undo": entry.can_undo,
            "mark": entry.mark,
            "takes": [
                {"id": take.id, "name": name_text(take.recording.stem), "is_reviewed": take.is_reviewed}
                for take in entry.takes
            ],
        }

    def _doing(self, entry: Entry) -> tuple[str, str, float | None]:
        """A song's state, a few words on what is being done, and the seconds left, if known."""
        job = entry.job
        if job is None or job.task["do"] == "look":
            if entry.trouble:
                return "trouble", "", None
            if entry.left_alone:
                return "alone", "", None
            return ("ready" if entry.shown is not None else "waiting"), "", None
        if job.began_s is None:
            return "waiting", "waits for its turn", self._board.pace.whole_s(entry.length_s)
        words = STAGES.get(job.stage, ("getting ready", 0.0))[0]
        if job.soon != LATER:
            # Heard again after a correction: most of it comes from the cache, so it takes a few seconds.
            return "hearing", words, None
        left_s = self._board.pace.left_s(entry.length_s, job.stages_s, time.monotonic() - job.began_s)
        return "hearing", words, left_s

    # ---- a song

    def _entry(self, request: Request) -> Entry:
        return self._board.entry(checked_id(request.path_params["song"]))

    async def page(self, request: Request) -> Response:
        """A song's page, with the take that the address names, if any."""
        entry, review = self._entry(request), None
        if "take" in request.query_params:
            take_id = checked_id(request.query_params["take"])
            take = next((one for one in entry.takes if one.id == take_id and one.is_reviewed), None)
            if take is None:
                raise RefusedError(404, "there is no review of this take")
            review = take.review
        path = await self._board.page(entry, review)
        self._windows.opening()
        return FileResponse(path, media_type="text/html", headers=_as_the_file_says(path))

    async def sound(self, request: Request) -> Response:
        """A piece of the page's audio, decoded so that its times match the analysis whatever the file format."""
        path = self._board.shelf.made(self._entry(request).song) / SOUND
        if not path.exists():
            raise RefusedError(404, "the sound is not there yet; load the page anew")
        number = parse_whole(request.path_params["piece"])
        piece = b"" if number is None else await asyncio.to_thread(piece_of, path, number)
        if not piece:
            raise RefusedError(404, "the sound is not as long; load the page anew")
        return Response(piece, media_type="audio/flac")

    async def told(self, request: Request) -> Response:
        """The current mark of the song's file, from which the page starts."""
        entry = self._entry(request)
        text = text_of(entry.song.track)
        return JSONResponse({"mark": mark_of(text), "can_undo": self._board.told(entry).can_undo})

    async def file(self, request: Request) -> Response:
        """A made file, to download or to show."""
        made = self._making.file(checked_id(request.path_params["file"]))
        if made.shown:
            headers = _as_the_file_says(made.path, _FRAMED) | {"x-frame-options": "SAMEORIGIN"}
            return FileResponse(made.path, media_type="text/html", headers=headers)
        return FileResponse(made.path, filename=made.name)


def _as_the_file_says(path: Path, frame: str = _FRAME) -> dict[str, str]:
    """The policy that one of our pages contains, repeated as a header together with who may frame it."""
    with path.open(encoding="utf-8") as file:
        found = _POLICY.search(file.read(_HEAD_CHARACTERS))
    if found is None:
        raise RefusedError(500, "this page has no policy; make it again")
    return {"content-security-policy": f"{html.unescape(found[1])}; {frame}"}
