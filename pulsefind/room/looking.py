"""One look at the folder: every song with its takes and what was told of it, read in one go.

Commands write to the folder as well, so a file may go while we look: the next look then sees that.
"""

from __future__ import annotations

from dataclasses import dataclass

from pulsefind.core.errors import PulsefindError
from pulsefind.room.shelf import Shelf, Song, Take
from pulsefind.room.told import Told, mark_of, text_of


@dataclass(frozen=True, slots=True)
class SeenSong:
    """A song as it lies there: its takes, the mark of its song's file, and whether a correction can be taken back."""

    song: Song
    takes: tuple[Take, ...]
    mark: str
    can_undo: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """The folder at one moment: its songs in the order of the set, and the ids of those that the set lists."""

    songs: tuple[SeenSong, ...]
    listed: tuple[str, ...]


def seen(shelf: Shelf) -> Seen:
    """Look once; an empty folder gives no songs.

    Raises
    ------
    PulsefindError, OSError
        if the folder can't be read.
    """
    return Seen(tuple(_seen_song(shelf, song) for song in shelf.songs()), tuple(shelf.listed()))


def told_of(shelf: Shelf, song: Song) -> Told:
    """What a person has told of a song."""
    return Told(song.track, shelf.made(song))


def _seen_song(shelf: Shelf, song: Song) -> SeenSong:
    try:
        mark, can_undo = mark_of(text_of(song.track)), told_of(shelf, song).can_undo
    except PulsefindError:
        # A song's file that can't be read: hearing the song says why.
        mark, can_undo = "", False
    return SeenSong(song, tuple(shelf.takes(song)), mark, can_undo)
