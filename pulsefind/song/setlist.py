"""A set: the songs of a gig in order, as a small TOML file for a person to edit.

    songs = [
      "Paper Harbour.flac",
      "Low Tide Letters.json",
    ]

Names are relative to the file's own folder.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import tomlkit

from pulsefind.core.errors import FormatError
from pulsefind.song.lines import line_of
from pulsefind.song.reading import document_of, read_text

NAME = "set.toml"
ENDING = ".toml"
MOST_SONGS = 500  # judged: far beyond any set

HEAD = "# The songs of a set, in their order; change it as you like.\n"


def is_set(path: Path) -> bool:
    """Whether a file's name says that it lists the songs of a set."""
    return path.suffix.lower() == ENDING


def read_set(path: Path) -> tuple[Path, ...]:
    """The songs of a set, as paths.

    Raises
    ------
    FormatError
        if it can't be read, or lists no songs.
    """
    text = read_text(path)
    songs = document_of(text, path.name).get("songs")
    if not isinstance(songs, list) or not songs:
        raise FormatError(f'{path}: lists no songs; write songs = ["FIRST.flac", "SECOND.flac"]')
    if len(songs) > MOST_SONGS:
        raise FormatError(f"{path}: lists {len(songs)} songs; a set has up to {MOST_SONGS}")
    for song in songs:
        if not isinstance(song, str) or not song or "\0" in song:
            raise FormatError(f"{path.name}, line {line_of(text, 'songs')}, songs: write names in quotes")
    return tuple(path.parent / song for song in songs)


def set_text(songs: Iterable[str]) -> str:
    """The text of a set's file that lists these names."""
    rows = tomlkit.array()
    rows.extend(songs)
    rows.multiline(True)
    document = tomlkit.parse(HEAD)
    document.add("songs", rows)
    return tomlkit.dumps(document)
