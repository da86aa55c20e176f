"""The folder of songs on disk: what is there, what belongs together, and in which order."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pulsefind.core.errors import FormatError
from pulsefind.core.files import rewrite_file, write_file
from pulsefind.core.given import SOUNDS, recordings_in
from pulsefind.core.words import name_text
from pulsefind.room.names import MIDI, free_name, id_of
from pulsefind.room.place import Place
from pulsefind.song.place import find_song
from pulsefind.song.reading import read_text
from pulsefind.song.setlist import read_set, set_text
from pulsefind.song.writing import edited

REVIEW = ".review.json"
_EXPECTED = "expected"


@dataclass(frozen=True, slots=True)
class Stamp:
    """When a file was last written, in ns, and its size; both 0 if there is no file."""

    written_ns: int = 0
    n_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Song:
    """A recording, with the stamps of the recording, its song's file and its analysis."""

    id: str
    track: Path
    recording: Stamp
    told: Stamp
    analysis: Stamp

    @property
    def saved(self) -> Path:
        """The path of its analysis."""
        return self.track.with_suffix(".json")

    @property
    def is_heard(self) -> bool:
        """Is its analysis newer than what it was made from?"""
        return self.analysis.written_ns >= max(self.recording.written_ns, self.told.written_ns, 1)


@dataclass(frozen=True, slots=True)
class Take:
    """A recorded take, and the path of its review."""

    id: str
    recording: Path
    review: Path

    @property
    def is_reviewed(self) -> bool:
        """Was it looked at?"""
        return self.review.exists()


class Shelf:
    """All songs of a place."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self._coming: set[str] = set()

    def songs(self) -> list[Song]:
        """What is there now, in the order of the set, what it doesn't list behind it by name."""
        tracks = {track.stem: track for track in recordings_in(self.place.folder)}
        listed = dict.fromkeys(path.stem for path in self._listed() if path.stem in tracks)
        return [looked_at(tracks[stem]) for stem in [*listed, *(stem for stem in tracks if stem not in listed)]]

    def listed(self) -> list[str]:
        """The ids of the songs of the set, in its order."""
        tracks = {track.stem: track for track in recordings_in(self.place.folder)}
        return [id_of(tracks[path.stem].name) for path in self._listed() if path.stem in tracks]

    def _listed(self) -> tuple[Path, ...]:
        try:
            return read_set(self.place.set)
        except FormatError:
            return ()

    def put_in_order(self, songs: Sequence[Song]) -> None:
        """Write the set: these songs in this order; what else the file lists stays where it stands.

        Raises
        ------
        PulsefindError
            if it can't be written.
        """
        shelf = {path.stem for path in recordings_in(self.place.folder)}
        # The set's file is text, so a song whose name isn't valid text stays beside the set.
        names = iter([f"{song.track.stem}.json" for song in songs if name_text(song.track.stem) == song.track.stem])
        entries: list[str] = []
        for path in self._listed():
            if path.stem not in shelf:
                entries.append(_as_written(path, self.place.folder))
            else:
                entries += [name for name in [next(names, None)] if name is not None]
        entries += names
        if not self.place.set.exists():
            write_file(self.place.set, set_text(entries).encode(), False)
        else:
            text = edited(read_text(self.place.set), {"songs": entries}, self.place.set.name)
            rewrite_file(self.place.set, text.encode())

    def made(self, song: Song) -> Path:
        """The folder of what can be made again for a song."""
        return self.place.made / song.id

    def expect(self, song: Song) -> None:
        """Note that a song is to join the set once it is heard, so that it does even if the room is killed before."""
        self.made(song).mkdir(parents=True, exist_ok=True)
        (self.made(song) / _EXPECTED).touch()

    def is_expected(self, song: Song) -> bool:
        """Is a song to join the set?"""
        return (self.made(song) / _EXPECTED).exists()

    def joined(self, song: Song) -> None:
        """Note that a song has joined the set; from now on only a person takes it out or puts it back."""
        (self.made(song) / _EXPECTED).unlink(missing_ok=True)

    @contextlib.contextmanager
    def room_for(self, name: str) -> Iterator[Path]:
        """A free place for a song that comes, kept for it for the length of the block."""
        taken = [path.name for path in self.place.folder.iterdir()]
        free = free_name(name, [*taken, *self._coming])
        self._coming.add(free)
        try:
            yield self.place.folder / free
        finally:
            self._coming.discard(free)

    # ---- takes

    def takes_folder(self, song: Song) -> Path:
        """Where the takes of a song lie."""
        return self.place.takes / song.track.stem

    def takes(self, song: Song) -> list[Take]:
        """The takes of a song, the last one first."""
        folder = self.takes_folder(song)
        if not folder.is_dir():
            return []
        found = [path for path in folder.iterdir() if path.suffix.lower() in (*SOUNDS, *MIDI)]
        return [Take(id_of(path.name), path, path.with_suffix(REVIEW)) for path in sorted(found, reverse=True)]

    # ---- away

    def put_away(self, song: Song) -> None:
        """Move a song with all that belongs to it into the folder of what was put away; nothing is deleted."""
        away = self.place.away
        away.mkdir(exist_ok=True)
        stem = Path(free_name(song.track.name, [path.name for path in away.iterdir()])).stem
        told = find_song(song.track)
        for path in (song.saved, *([told] if told and told.parent == song.track.parent else []), song.track):
            if path.exists():
                path.rename(away / f"{stem}{path.name.removeprefix(song.track.stem)}")
        shutil.rmtree(self.made(song), ignore_errors=True)


def looked_at(track: Path) -> Song:
    """A recording with its stamps as they are now."""
    told = find_song(track)
    stamps = (_stamp(track), _stamp(told) if told else Stamp(), _stamp(track.with_suffix(".json")))
    return Song(id_of(track.name), track, *stamps)


def _stamp(path: Path) -> Stamp:
    try:
        status = path.stat()
    except OSError:
        return Stamp()
    return Stamp(status.st_mtime_ns, status.st_size)


def _as_written(path: Path, folder: Path) -> str:
    return str(path.relative_to(folder)) if path.is_relative_to(folder) else str(path)
