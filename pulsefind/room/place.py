"""Where a room keeps everything: one folder that the commands can read and write too.

SONG.flac, SONG.song.toml, SONG.json    a recording, its corrections, its analysis
set.toml                                the songs in order
takes/SONG/                             recorded takes and their reviews
takes/takes.jsonl                       the history of all takes
put away/                               songs moved off the shelf
.made/                                  what can be remade: pages and their audio; also undo steps
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
_PART, _PART_LIFE_S = ".pulsefind-*.part", 3600  # judged: no write stalls for an hour


@dataclass(frozen=True, slots=True)
class Place:
    """A room's folder. own: a room created it; otherwise it is the user's, and nothing in it is ever moved."""

    folder: Path
    own: bool

    @property
    def made(self) -> Path:
        """The folder of what can be remade."""
        return self.folder / ".made"

    @property
    def takes(self) -> Path:
        """The folder of takes."""
        return self.folder / "takes"

    @property
    def history(self) -> Path:
        """The history of takes."""
        return self.takes / "takes.jsonl"

    @property
    def set(self) -> Path:
        """The set's file."""
        return self.folder / NAME

    @property
    def away(self) -> Path:
        """The folder of songs moved off the shelf."""
        return self.folder / "put away"


def usual_folder() -> Path:
    """The default folder: pulsefind in the user's music folder."""
    return user_music_path() / "pulsefind"


def settled(folder: Path | None) -> Place:
    """Prepare a room's folder: create it if need be, and delete what killed runs left half written.

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
    """Half-written files of killed runs; recent ones may still be in use, and are left out."""
    folders = [place.folder, place.takes, *place.takes.glob("*/"), *place.made.glob("*/")]
    for part in (part for folder in folders for part in folder.glob(_PART)):
        if time.time() - part.stat().st_mtime > _PART_LIFE_S:
            yield part


@contextlib.contextmanager
def held(place: Place) -> Iterator[None]:
    """Keep other rooms out of the folder during the block; the system drops the lock however we end.

    Raises
    ------
    OutputError
        if another room has it.
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
    """The size of everything in a room's folder, recordings included."""
    total = 0
    for folder, _, names in os.walk(place.folder):
        for name in names:
            with contextlib.suppress(OSError):
                total += os.lstat(os.path.join(folder, name)).st_size  # noqa: PTH118 - a path a file would take longer
    return total
