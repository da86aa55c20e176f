"""Where a song's file is, and whether it belongs to a recording."""

from __future__ import annotations

import os
from pathlib import Path

from pulsefind.core.corrections import Corrections

ENDING = ".song.toml"
FOLDER = "PULSEFIND_SONGS"
"""The environment variable that names the user's folder for songs' files."""

SAME_LENGTH_S = 0.1
"""Decoders pad a recording by a few thousand samples at most (judged: an mp3's first 1105, its last frame)."""


def song_path(track: Path) -> Path:
    """The path of a track's song file, next to the track."""
    return track.with_name(track.stem + ENDING)


def find_song(track: Path) -> Path | None:
    """A track's song file: next to it, else in the user's folder; None if there is none."""
    if not track.name:
        return None
    folder = os.environ.get(FOLDER, "")
    places = [song_path(track), *([Path(folder) / song_path(track).name] if folder else [])]
    return next((path for path in places if os.path.lexists(path)), None)


def stranger(corrections: Corrections, sha256: str, duration_s: float) -> str | None:
    """How a recording differs from the one that the file was made for, in words; None if it doesn't."""
    known = corrections.recording
    if known is None or (known.sha256 and known.sha256 == sha256):
        return None
    if known.length_s and abs(known.length_s - duration_s) > SAME_LENGTH_S:
        return f"it was made for a recording of {known.length_s:.2f} s, this one has {duration_s:.2f} s"
    return None


def other_sound(corrections: Corrections, sha256: str) -> bool:
    """Was the file made for other samples (a remaster, or another format)?"""
    known = corrections.recording
    return known is not None and bool(known.sha256) and known.sha256 != sha256
