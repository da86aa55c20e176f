"""What is known about each song on the shelf, and what to do with it next."""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import soundfile

from pulsefind.core.cache import code_version
from pulsefind.core.errors import PulsefindError
from pulsefind.core.files import sound_name
from pulsefind.page import page as page_module
from pulsefind.room.looking import Seen, seen, told_of
from pulsefind.room.place import Place, size_bytes
from pulsefind.room.progress import Pace
from pulsefind.room.refusing import RefusedError
from pulsefind.room.shelf import Shelf, Song, Stamp, Take, looked_at
from pulsefind.room.told import Told
from pulsefind.room.work import FIRST, LATER, SECOND, CancelledWorkError, Job, Work

Answer = TypeVar("Answer")

LOOK_S = 3.0
"""How often to look at the folder, since commands write to it too (judged)."""


@dataclass(eq=False)
class Entry:
    """A song and what is known about it. shown is what the list shows, taken from the analysis stamped shown_of."""

    song: Song
    shown: dict[str, Any] | None = None
    shown_of: Stamp | None = None
    heard_of: tuple[Stamp, Stamp] | None = None
    trouble: str = ""
    trouble_of: tuple[Stamp, Stamp] | None = None
    length_s: float | None = None
    job: Job | None = None
    left_alone: bool = False
    remarks: list[str] = field(default_factory=list)
    can_undo: bool = False
    mark: str = ""
    takes: tuple[Take, ...] = ()

    @property
    def sources(self) -> tuple[Stamp, Stamp]:
        """The stamps of what an analysis is made from."""
        return self.song.recording, self.song.told


class Board:
    """All songs. Every change gives a new `version`, which tells a window whether it has seen the latest."""

    def __init__(self, place: Place, work: Work) -> None:
        self.place, self.shelf, self.work = place, Shelf(place), work
        self.pace = Pace()
        self.entries: dict[str, Entry] = {}
        self.listed: list[str] = []
        self._versions = itertools.count(2)
        self.version = 1
        work.changed = self.changed
        web = Path(page_module.__file__).parent.parent / "web"
        self._code = code_version(page_module.__file__, *map(str, sorted(web.iterdir())))
        self.n_bytes = 0
        self.trouble = ""
        self._looking = asyncio.Lock()
        # A thread of its own, so that uploads filling the shared ones can't hold up the list.
        self._looker = ThreadPoolExecutor(1, "looking")
        self._following: set[asyncio.Task[None]] = set()

    def changed(self) -> None:
        """Note that something changed; safe from any thread."""
        self.version = next(self._versions)

    def entry(self, song_id: str) -> Entry:
        """A song by its id.

        Raises
        ------
        RefusedError
            if there is none.
        """
        entry = self.entries.get(song_id)
        if entry is None:
            raise RefusedError(404, "there is no such song any more")
        return entry

    # ---- looking

    async def see(self) -> None:
        """Look at the folder. If it can't be read, say so and try again next time."""
        async with self._looking:
            try:
                now = await self._in_looker(lambda: seen(self.shelf))
                if self._take(now):
                    self.n_bytes = await self._in_looker(lambda: size_bytes(self.place))
                    self.changed()
                self._in_trouble("")
            except PulsefindError as error:
                self._in_trouble(str(error))
            except OSError as error:
                self._in_trouble(
                    f"{self.place.folder}: can't be looked into ({error.strerror}); it will be tried again"
                )

    async def look(self) -> None:
        """Look at the folder and queue whatever needs doing."""
        await self.see()
        for entry in list(self.entries.values()):
            await self._see_to(entry)
        self.work.order(list(self.entries))

    async def _in_looker(self, act: Callable[[], Answer]) -> Answer:
        return await asyncio.get_running_loop().run_in_executor(self._looker, act)

    def _take(self, now: Seen) -> bool:
        """Update the list to what was seen; returns whether it changed."""
        before = self._as_seen()
        for song_id in self.entries.keys() - {one.song.id for one in now.songs}:
            self._gone(self.entries[song_id])
        kept = self.entries
        self.entries = {one.song.id: kept.get(one.song.id) or Entry(one.song) for one in now.songs}
        self.listed = list(now.listed)
        for one in now.songs:
            entry = self.entries[one.song.id]
            entry.song, entry.takes, entry.mark, entry.can_undo = one.song, one.takes, one.mark, one.can_undo
        return before != self._as_seen()

    def _as_seen(self) -> list[object]:
        """Everything that a look at the folder can change."""
        entries = self.entries.values()
        return [self.listed, *((one.song, len(one.takes), one.mark, one.can_undo) for one in entries)]

    def _in_trouble(self, line: str) -> None:
        if line != self.trouble:
            self.trouble = line
            self.changed()

    async def keep_looking(self) -> None:
        """Keep looking. While songs are being heard there is always news, because the time left goes down."""
        while True:
            await self.look()
            if self.work.busy:
                self.changed()
            await asyncio.sleep(LOOK_S)

    def told(self, entry: Entry) -> Told:
        """The song's file, with its undo steps."""
        return told_of(self.shelf, entry.song)

    def _gone(self, entry: Entry) -> None:
        if entry.job is not None:
            self.work.call_off(entry.job)

    async def _see_to(self, entry: Entry) -> None:
        if entry.job is not None or entry.left_alone or entry.trouble_of == entry.sources:
            return
        if self._is_to_be_heard(entry):
            if entry.length_s is None:
                track = entry.song.track
                entry.length_s = await self._in_looker(lambda: _length_s(track))
            if entry.job is None:
                self._start(entry, self._hear(entry))
        elif entry.shown_of != entry.song.analysis:
            task = {"do": "look", "track": str(entry.song.track), "saved": str(entry.song.saved)}
            self._start(entry, Job(task, SECOND, entry.song.id))

    def _is_to_be_heard(self, entry: Entry) -> bool:
        """Is there no analysis, or one made from another recording or song's file than there is now?"""
        if entry.heard_of is not None:
            return entry.heard_of != entry.sources
        return not entry.song.is_heard or (entry.shown is not None and bool(entry.shown["is_old"]))

    def _hear(self, entry: Entry) -> Job:
        song = entry.song
        task = {"do": "hear", "track": str(song.track), "saved": str(song.saved), "made": str(self.shelf.made(song))}
        # Somebody who corrected a song is waiting for it; a new one can take its turn.
        soon = LATER if song.analysis == Stamp() else FIRST
        return Job({**task, "key": self.page_key(entry)}, soon, song.id)

    def _start(self, entry: Entry, job: Job) -> None:
        entry.job = job
        following = asyncio.create_task(self._follow(entry, job))
        self._following.add(following)
        following.add_done_callback(self._following.discard)

    async def _follow(self, entry: Entry, job: Job) -> None:
        """Wait for a song's job and keep its result."""
        sources = entry.sources
        try:
            if job.task["do"] == "hear" and entry.song.analysis == Stamp():
                await asyncio.to_thread(self.shelf.expect, entry.song)
            shown = await self.work.done(job)
            entry.song = await asyncio.to_thread(looked_at, entry.song.track)
        except CancelledWorkError:
            entry.left_alone = True
        except PulsefindError as error:
            entry.trouble, entry.trouble_of = _plainly(str(error), entry.song), sources
        except Exception as error:  # noqa: BLE001 - one bad song must not stop the list
            entry.trouble, entry.trouble_of = f"this song broke the work ({type(error).__name__})", sources
        else:
            entry.shown, entry.shown_of = shown, entry.song.analysis
            entry.trouble, entry.trouble_of = "", None
            entry.length_s = shown["length_s"]
            if job.task["do"] == "hear":
                entry.heard_of, entry.remarks = sources, list(dict.fromkeys(job.remarks))
                if job.soon == LATER and job.began_s is not None:
                    self.pace.heard(entry.length_s or 0.0, time.monotonic() - job.began_s)
            if await asyncio.to_thread(self.shelf.is_expected, entry.song):
                await self._join(entry)
        entry.job = None
        self.changed()
        await self.look()

    async def _join(self, entry: Entry) -> None:
        """Add a song that was heard for the first time to the end of the set."""
        if entry.song.id not in self.listed:
            await self.put_in_order([*self.listed, entry.song.id])
        await asyncio.to_thread(self.shelf.joined, entry.song)

    async def put_in_order(self, ids: list[str]) -> None:
        """Write the set in this order; ids of songs that are gone are skipped."""
        songs = [self.entries[one].song for one in dict.fromkeys(ids) if one in self.entries]
        self.listed = [song.id for song in songs]
        try:
            await asyncio.to_thread(self.shelf.put_in_order, songs)
        except PulsefindError as error:
            self.trouble = str(error)
        self.changed()

    def hear_again(self, entry: Entry) -> None:
        """Queue a song again that was left for later or couldn't be read."""
        entry.left_alone, entry.trouble, entry.trouble_of = False, "", None

    def leave_alone(self, entry: Entry) -> None:
        """Take a song out of the queue."""
        if entry.job is not None:
            self.work.call_off(entry.job)
        entry.left_alone = True
        self.changed()

    async def put_away(self, entry: Entry) -> None:
        """Move a song off the shelf.

        Raises
        ------
        RefusedError
            if the folder is the user's own.
        """
        if not self.place.own:
            raise RefusedError(403, "this folder is yours, so nothing in it is moved; take the file out yourself")
        self.leave_alone(entry)
        await asyncio.to_thread(self.shelf.put_away, entry.song)
        await self.put_in_order([one for one in self.listed if one != entry.song.id])
        await self.look()

    async def end(self) -> None:
        """Wait for what still runs; call it after the work has ended."""
        await asyncio.gather(*self._following, return_exceptions=True)
        self._looker.shutdown()

    # ---- pages

    def page_key(self, entry: Entry) -> str:
        """The name of a song's page file; it changes with the recording, the song's file and the page's code."""
        recording, told = entry.sources
        return f"{self._code}-{recording.written_ns:x}-{told.written_ns:x}"

    async def page(self, entry: Entry, review: Path | None = None) -> Path:
        """The song's page, drawn first if need be.

        Raises
        ------
        PulsefindError
            if it can't be.
        """
        if self._is_to_be_heard(entry):
            raise RefusedError(409, "this song is still being heard; open it when it is done")
        made = self.shelf.made(entry.song)
        name = f"{self.page_key(entry)}.html" if review is None else f"{self.page_key(entry)} take.html"
        newest = entry.song.analysis.written_ns
        path = made / name
        if review is not None or not path.exists() or path.stat().st_mtime_ns < newest:
            task = {"do": "draw", "track": str(entry.song.track), "saved": str(entry.song.saved), "made": str(made)}
            if review is not None:
                task |= {"review": str(review), "history": str(self.place.history)}
            await self.work.done(Job({**task, "name": name}, FIRST, entry.song.id))
        return path


def _length_s(track: Path) -> float | None:
    """The length of a recording if its header gives it, else None."""
    try:
        with soundfile.SoundFile(sound_name(track)) as file:
            return float(file.frames / file.samplerate)
    except (soundfile.LibsndfileError, RuntimeError, TypeError):
        return None


def _plainly(line: str, song: Song) -> str:
    """A command's message without the folder's path, which the window shows elsewhere."""
    return line.replace(f"{song.track.parent}/", "")
