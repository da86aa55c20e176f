"""What a command is given: a recording, or a saved analysis with its recording perhaps next to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.cli.options import Hints, analysed, check_saved, is_saved, settings_from
from pulsefind.cli.song_file import say_if_older
from pulsefind.core.errors import FormatError, HintError
from pulsefind.core.given import is_regular
from pulsefind.core.records import Settings

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis, Audio

SongArgument = Annotated[
    Path,
    typer.Argument(help="A recording, or an analysis of it saved by `find --out`.", metavar="SONG", show_default=False),
]


def opened(song: Path, hints: Hints) -> Analysis:
    """The analysis of a song, with these corrections.

    A saved analysis is used as it is. Given corrections as well, its recording, which must be next to it, is analysed
    again: with the corrections it was made with, except those that the new ones replace.

    Raises
    ------
    PulsefindError
        if a file can't be read, or the corrections contradict each other or the song.
    """
    if not is_saved(song):
        return analysed(song, settings_from(hints), hints)
    from pulsefind.saved import load_analysis

    analysis = load_analysis(song)
    if not (hints.about_beats or hints.part):
        say_if_older(song, _beside(song, analysis), analysis, hints)
        return analysis
    return analysed(recording_of(song), _joined(analysis.settings, settings_from(hints)), hints)


def recording_of(song: Path) -> Path:
    """The recording of a song: itself, or the one that a saved analysis names, next to it.

    Raises
    ------
    HintError
        if it isn't there.
    """
    if not is_saved(song):
        return song
    from pulsefind.saved import load_analysis

    recording = _beside(song, load_analysis(song))
    if not is_regular(recording):
        raise HintError(f"{song}: for this its recording, {recording.name}, must lie beside it; or name the recording")
    return recording


def _beside(song: Path, analysis: Analysis) -> Path:
    """Where the recording of a saved analysis would lie; the folder, if it names no file (".")."""
    return song.parent / Path(analysis.track.name).name


def check_same(song: Path, analysis: Analysis, audio: Audio) -> None:
    """Refuse a recording other than the one that the analysis was made from.

    Raises
    ------
    FormatError
        if it is.
    """
    if is_saved(song) and audio.sha256 != analysis.track.sha256:
        raise FormatError(f"{song}: {analysis.track.name} beside it is another recording by now; analyse it again")


def saved_or_found(saved: Path | None, song: Path, hints: Hints) -> Analysis:
    """The saved analysis given along with the song, if it was made from this sound; without one, the song's own."""
    from pulsefind.listen.audio import load
    from pulsefind.saved import load_analysis

    if saved is None:
        analysis = opened(song, hints)
        if is_saved(song):
            check_same(song, analysis, load(recording_of(song)))
        return analysis
    analysis, recording = load_analysis(saved), recording_of(song)
    if analysis.track.sha256 != load(recording).sha256:
        other = "another recording of that name" if analysis.track.name == recording.name else analysis.track.name
        raise FormatError(f"{saved}: is an analysis of {other}, not of {recording.name}; analyse this one")
    say_if_older(saved, song, analysis, hints)
    return analysis


def opened_with_sound(
    song: Path, saved: Path | None, hints: Hints, place: Callable[[Path], Path]
) -> tuple[Path, Analysis, Path]:
    """The recording of a song, its analysis, and where the result goes.

    place: given the recording, returns the result's file, and refuses one that can't be written before any long work.
    """
    check_saved(saved, hints)
    track = recording_of(song)
    out = place(track)
    return track, saved_or_found(saved, song, hints), out


def _joined(before: Settings, now: Settings) -> Settings:
    """The earlier settings, completed by what is given now."""
    plain = Settings()
    told = {f.name: getattr(now, f.name) for f in fields(Settings) if getattr(now, f.name) != getattr(plain, f.name)}
    return replace(before, **told)
