"""Where everything of a room lies: one folder, as the commands read and write it.

SONG.flac, SONG.song.toml, SONG.json    a recording, what a person told of it, its analysis
set.toml                                the songs in their order
takes/SONG/                             recordings of the playing, and their reviews
takes/takes.jsonl                       the history of all takes
put away/                               songs that were taken off the shelf
.made/                                  what can be made again: pages, sounds for them; steps to take back
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from platformdirs import user_music_path

from pulsefind.core.errors import OutputError
from pulsefind.song.setlist import NAME

_OWN = "own"
_PART, _PART_LIFE_S = ".pulsefind-*.part", 3600  # judged: nothing is written for an hour without a byte


@dataclass(frozen=True, slots=True)
class Place:
    """A room's folder. own: it was made by a room; else it is a person's, and nothing in it is moved."""

    folder: Path
    own: bool

    @property
    def made(self) -> Path:
        """What can be made again."""
        return self.folder / ".made"

    @property
    def takes(self) -> Path:
        """Recordings of the playing."""
        return self.folder / "takes"

    @property
    def history(self) -> Path:
        """All takes so far."""
        return self.takes / "takes.jsonl"

    @property
    def set(self) -> Path:
        """The songs in their order."""
        return self.folder / NAME

    @property
    def away(self) -> Path:
        """Songs that were taken off the shelf."""
        return self.folder / "put away"


def usual_folder() -> Path:
    """The folder of a room that isn't told another: the user's music folder, then pulsefind."""
    return user_music_path() / "pulsefind"


def settled(folder: Path | None) -> Place:
    """A room's folder, made if it isn't there, and rid of what killed runs left half written.

    Raises
    ------
    OutputError
        if it can't be made or written.
    """
    chosen = (folder or usual_folder()).absolute()
    try:
        new = not chosen.exists()
        chosen.mkdir(parents=True, exist_ok=True)
        made = chosen / ".made"
        made.mkdir(mode=0o700, exist_ok=True)
        if new:
            (made / _OWN).touch()
        place = Place(chosen, (made / _OWN).exists())
        for part in _left_behind(place):
            part.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"{chosen}: can't be used ({error.strerror}); name another with --folder") from None
    return place


def _left_behind(place: Place) -> Iterator[Path]:
    """What runs that were killed left half written; a young one may be written right now."""
    folders = [place.folder, place.takes, *place.takes.glob("*/"), *place.made.glob("*/")]
    for part in (part for folder in folders for part in folder.glob(_PART)):
        if time.time() - part.stat().st_mtime > _PART_LIFE_S:
            yield part


@contextlib.contextmanager
def held(place: Place) -> Iterator[None]:
    """Keep a second room out of the folder for the length of the block; the system lets go of it however we end.

    Raises
    ------
    OutputError
        if a room has it.
    """
    with (place.made / "open").open("a") as file:
        try:
            _lock(file.fileno())
        except OSError:
            raise OutputError(
                f"{place.folder}: its room is open already; go to its window, or name another folder with --folder"
            ) from None
        yield


def _lock(handle: int) -> None:
    if os.name == "nt":
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def size_bytes(place: Place) -> int:
    """How much a room's folder takes on the disk, its recordings included."""
    total = 0
    for folder, _, names in os.walk(place.folder):
        for name in names:
            with contextlib.suppress(OSError):
                total += os.lstat(os.path.join(folder, name)).st_size  # noqa: PTH118 - a path a file would take longer
    return total
