"""One look at the folder: every song with its takes and corrections, read in one go.

Commands write to the folder too, so a file may vanish while we look; the next look will see that.
"""

from __future__ import annotations

from dataclasses import dataclass

from pulsefind.core.errors import PulsefindError
from pulsefind.room.shelf import Shelf, Song, Take
from pulsefind.room.told import Told, mark_of, text_of


@dataclass(frozen=True, slots=True)
class SeenSong:
    """A song on disk: its takes, the mark of its song's file, and whether a correction can be undone."""

    song: Song
    takes: tuple[Take, ...]
    mark: str
    can_undo: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """The folder at one moment: its songs in set order, and the ids of those that the set lists."""

    songs: tuple[SeenSong, ...]
    listed: tuple[str, ...]


def seen(shelf: Shelf) -> Seen:
    """Read the folder; an empty one gives no songs.

    Raises
    ------
    PulsefindError, OSError
        if the folder can't be read.
    """
    return Seen(tuple(_seen_song(shelf, song) for song in shelf.songs()), tuple(shelf.listed()))


def told_of(shelf: Shelf, song: Song) -> Told:
    """The song's file, with its undo steps."""
    return Told(song.track, shelf.made(song))


def _seen_song(shelf: Shelf, song: Song) -> SeenSong:
    try:
        mark, can_undo = mark_of(text_of(song.track)), told_of(shelf, song).can_undo
    except PulsefindError:
        # The song's file can't be read; analysing the song will say why.
        mark, can_undo = "", False
    return SeenSong(song, tuple(shelf.takes(song)), mark, can_undo)
