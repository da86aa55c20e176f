"""The song's file as every command uses it: found next to the track, read, mentioned in a line, obeyed."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pulsefind.core.corrections import Corrections
from pulsefind.core.given import note_given

if TYPE_CHECKING:
    from pulsefind.cli.options import Hints
    from pulsefind.core.records import Analysis, Audio, Settings
    from pulsefind.song.reading import SongFile


def song_of(track: Path, hints: Hints) -> SongFile | None:
    """The song's file that applies to a track: the one named, else the one next to it.

    Raises
    ------
    PulsefindError
        if there is one that can't be read.
    """
    from pulsefind.song.place import find_song
    from pulsefind.song.reading import read_song

    beside = find_song(track)
    if beside is not None:
        note_given(beside)  # Even if it is ignored, it mustn't be overwritten.
    path = None if hints.no_song_file else hints.song_file or beside
    return None if path is None else read_song(path)


def with_song(settings: Settings, song: SongFile | None, audio: Audio, hints: Hints) -> Settings:
    """The settings with what the song's file says, and a line about it on stderr.

    A file that was made for a recording of another length is left out unless it was named. Beats that come from
    elsewhere (--from) stay as they are: then only title, notes and sections hold.
    """
    from pulsefind.song.place import other_sound, stranger
    from pulsefind.song.words import told

    if song is None:
        return settings
    for remark in song.remarks:
        say(remark)
    name, known = song.path.name, song.corrections
    differs = stranger(known, audio.sha256, audio.duration_s)
    if differs and not hints.song_file:
        say(f"{name} is left out: {differs}; to use it all the same: --song-file")
        return settings
    if hints.beats_from:
        known = Corrections(title=known.title, notes=known.notes, sections=known.sections, confirmed=known.confirmed)
    beside = f" ({differs}; its times may be off)" if differs else ""
    if not differs and other_sound(known, audio.sha256):
        beside = " (made for another copy of this recording; check one 1 by ear)"
    say(f"{name} is obeyed: {told(known)}{_overruled(known, hints)}{beside}")
    return replace(settings, corrections=known)


def _overruled(known: Corrections, hints: Hints) -> str:
    """What in the file doesn't apply because something else was typed."""
    pairs = (
        ("--one-at", hints.one_at, known.ones, "the_1"),
        ("--bpm", hints.bpm, known.bpm_low, "bpm"),
        ("--meter", hints.meter, known.meter, "meter"),
        ("--taps", hints.taps, known.taps_s, "taps"),
        ("--range", hints.part, known.start_s or known.end_s, "range"),
        ("--nudge-ms", hints.nudge_ms is not None, known.nudge_ms, "nudge_ms"),
    )
    words = [f"{option} instead of its {key}" for option, typed, told, key in pairs if typed and told]
    return f"; {', '.join(words)}" if words else ""


def keep_hints(track: Path, hints: Hints, analysis: Analysis) -> None:
    """Write what was typed into the song's file, creating it if need be; everything else in it stays.

    Raises
    ------
    PulsefindError
        if nothing was typed that it could keep, or the file can't be written.
    """
    from pulsefind.core.errors import HintError
    from pulsefind.core.files import rewrite_file
    from pulsefind.song.place import find_song, song_path
    from pulsefind.song.reading import corrections_of, document_of, read_text
    from pulsefind.song.writing import HEAD, edited

    changes = _kept(hints, analysis)
    if not changes:
        raise HintError("--keep: tell something to keep, like --one-at 12.340, --bpm, --meter, --taps or --nudge-ms")
    path = hints.song_file or find_song(track) or song_path(track)
    text = read_text(path) if os.path.lexists(path) else HEAD
    if "recording" not in document_of(text, path.name):
        changes["recording"] = {"sha256": analysis.track.sha256, "length_s": round(analysis.track.duration_s, 3)}
    text = edited(text, changes, path.name)
    corrections_of(text, path.name)
    rewrite_file(path, text.encode())
    say(f"{path.name} keeps {', '.join(key for key in changes if key != 'recording')}")


def _kept(hints: Hints, analysis: Analysis) -> dict[str, Any]:
    """Keys of the song's file and the values that were typed."""
    typed: dict[str, Any] = {
        "the_1": hints.one_at,
        "bpm": hints.bpm,
        "meter": hints.meter,
        "range": hints.part,
        "nudge_ms": hints.nudge_ms,
    }
    changes = {key: value for key, value in typed.items() if value is not None}
    if hints.taps:
        settings = analysis.settings
        taps: dict[str, Any] = {"times": [round(time_s, 6) for time_s in settings.taps_s]}
        if settings.taps_count:
            taps["counts"] = list(settings.taps_count)
        changes["taps"] = {**taps, "by_ear": True} if settings.taps_by_ear else taps
    return changes


def say_if_older(saved: Path, track: Path, analysis: Analysis, hints: Hints) -> None:
    """A line on stderr if the song's file says something different from when an analysis was saved."""
    song = song_of(track, hints)
    if song is not None and song.corrections != analysis.settings.corrections:
        say(f"{saved.name} was analysed without what {song.path.name} says now; analyse the recording again")


def say(text: str) -> None:
    """A line on stderr; progress on the terminal makes room for it."""
    from pulsefind.cli.options import clear_progress

    clear_progress()
    line = " ".join("".join(letter if letter.isprintable() else "?" for letter in text).split())
    print(f"pulsefind: {line}", file=sys.stderr)
