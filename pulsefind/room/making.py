"""Files to take away, made by the commands on request: sheets, practice audio, the page for the phone, an archive of
everything about a song.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pulsefind.core.words import name_text
from pulsefind.page.pdf import find_browser
from pulsefind.room.board import Board, Entry
from pulsefind.room.refusing import RefusedError
from pulsefind.room.work import FIRST, Job
from pulsefind.song.place import find_song

MOST_KEPT = 12
"""How many made files to keep for download; the oldest is deleted first, and all go when the room closes (judged)."""

CLICKS = {"beats": "every beat", "1": "only the 1", "guide": "what to follow"}
SPEEDS = (50, 60, 70, 75, 80, 90, 100, 110)  # percent; judged: the steps of practice, and one above
KINDS = ("mp3", "wav", "flac")


@dataclass(frozen=True, slots=True)
class Made:
    """A file ready for download, and the name to save it under. shown: it is displayed, not downloaded."""

    path: Path
    name: str
    shown: bool = False


class Making:
    """Makes files and keeps them by id."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._folder = board.place.made / "files"
        self._made: dict[str, Made] = {}
        self.clear()

    def clear(self) -> None:
        """Delete everything, also what an earlier run left."""
        self._folder.mkdir(exist_ok=True)
        for old in self._folder.iterdir():
            # A ladder is a folder until it is packed, and stays one where it is made as the room is killed.
            if old.is_dir() and not old.is_symlink():
                shutil.rmtree(old, ignore_errors=True)
            else:
                old.unlink(missing_ok=True)
        self._made.clear()

    def file(self, file_id: str) -> Made:
        """The file of an id.

        Raises
        ------
        RefusedError
            if it is gone.
        """
        made = self._made.get(file_id)
        if made is None or not made.path.exists():
            raise RefusedError(404, "this file is gone; make it again")
        return made

    async def sheets(self, as_pdf: bool) -> tuple[str, list[str]]:
        """Make the sheets of all songs of the set that have been heard; returns the id, and the names of the others.

        Raises
        ------
        RefusedError
            if there is no such song, or a PDF can't be made.
        """
        board = self._board
        in_set = [board.entries[one] for one in board.listed if one in board.entries]
        heard = [str(entry.song.saved) for entry in in_set if entry.shown is not None]
        if not in_set:
            raise RefusedError(409, "there is no song in the set yet")
        if not heard:
            raise RefusedError(409, "no song of the set has been heard yet")
        if as_pdf and find_browser() is None:
            raise RefusedError(409, "a PDF needs Chromium on this machine; print the sheets from the window instead")
        file_id = await self._command(["sheet", *heard], "set.pdf" if as_pdf else "set.html", not as_pdf)
        return file_id, [_stem(entry) for entry in in_set if entry.shown is None]

    async def of_song(self, entry: Entry, what: str, asked: dict[str, Any]) -> str:
        """Make something for a song; returns the id.

        Raises
        ------
        RefusedError
            if there is no such thing.
        PulsefindError
            with the line that the command says.
        """
        makers: dict[str, Callable[[Entry, dict[str, Any]], Any]] = {
            "sheet": self._song_sheet,
            "click": self._click,
            "forward": self._forward,
            "phone": self._phone,
            "ladder": self._ladder,
            "archive": self._archive,
        }
        if what not in makers:
            raise RefusedError(400, "there is no such thing to make")
        if entry.shown is None:
            raise RefusedError(409, "this song is still being heard")
        file_id: str = await makers[what](entry, asked)
        return file_id

    # ---- each thing

    async def _song_sheet(self, entry: Entry, _: dict[str, Any]) -> str:
        return await self._command(["sheet", str(entry.song.saved)], f"{_stem(entry)} sheet.html", True)

    async def _click(self, entry: Entry, asked: dict[str, Any]) -> str:
        on, speed, kind = asked.get("on", "beats"), asked.get("speed", 100), asked.get("kind", "mp3")
        if on not in list(CLICKS) or speed not in SPEEDS or kind not in KINDS:
            raise RefusedError(400, "there is no such click")
        name = f"{_stem(entry)} click {CLICKS[on]}{'' if speed == 100 else f' {speed}'}.{kind}"
        return await self._command(["click", str(entry.song.saved), "--on", on, "--speed", str(speed / 100)], name)

    async def _forward(self, entry: Entry, _: dict[str, Any]) -> str:
        return await self._command(["hear", str(entry.song.saved)], f"{_stem(entry)} what to follow.wav")

    async def _phone(self, entry: Entry, _: dict[str, Any]) -> str:
        return await self._command(["page", str(entry.song.saved)], f"{_stem(entry)} page.html")

    async def _ladder(self, entry: Entry, _: dict[str, Any]) -> str:
        folder = self._folder / secrets.token_hex(8)
        words = ["click", str(entry.song.saved), "--ladder", "--kind", "mp3", "--out", str(folder)]
        called = f"{_stem(entry)} ladder"
        task = {"steps": [words], "files": [], "folder": str(folder), "called": called}
        return await self._packed(task, f"{called}.zip")

    async def _archive(self, entry: Entry, _: dict[str, Any]) -> str:
        """Everything there is about a song, with its page, sheet and click, in one archive."""
        song, stem = entry.song, _stem(entry)
        mark = secrets.token_hex(8)
        fresh = {
            name: self._folder / f"{mark} {k}{Path(name).suffix}"
            for k, name in enumerate((f"{stem} page.html", f"{stem} sheet.html", f"{stem} click.mp3"))
        }
        page, sheet, click = map(str, fresh.values())
        saved = str(song.saved)
        steps = [["page", saved, "--out", page], ["sheet", saved, "--out", sheet], ["click", saved, "--out", click]]
        there = [song.track, song.saved, *filter(None, [find_song(song.track)])]
        files = [[str(path), f"{stem}/{path.name}"] for path in there]
        files += [[str(path), f"{stem}/{name}"] for name, path in fresh.items()]
        for take in entry.takes:
            files += [[str(path), f"{stem}/takes/{path.name}"] for path in (take.recording, take.review)]
        task = {"steps": steps, "files": files, "spare": [page, sheet, click]}
        return await self._packed(task, f"{stem}.zip")

    # ---- how

    async def _command(self, words: list[str], name: str, shown: bool = False) -> str:
        path = self._path(name)
        await self._board.work.done(Job({"do": "command", "words": [*words, "--out", str(path)]}, FIRST))
        return self._keep(path, name, shown)

    async def _packed(self, task: dict[str, Any], name: str) -> str:
        path = self._path(name)
        await self._board.work.done(Job({"do": "pack", **task, "out": str(path)}, FIRST))
        return self._keep(path, name, False)

    def _path(self, name: str) -> Path:
        return self._folder / f"{secrets.token_hex(8)}{Path(name).suffix}"

    def _keep(self, path: Path, name: str, shown: bool) -> str:
        file_id = secrets.token_hex(8)
        self._made[file_id] = Made(path, name, shown)
        while len(self._made) > MOST_KEPT:
            self._made.pop(next(iter(self._made))).path.unlink(missing_ok=True)
        return file_id


def _stem(entry: Entry) -> str:
    return name_text(entry.song.track.stem)
