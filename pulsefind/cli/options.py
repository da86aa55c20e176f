"""What the commands share: options, progress on the terminal, and the way from hints as typed to an analysis."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, is_dataclass
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_args, get_origin, get_type_hints

import typer
from typer.models import ParameterInfo

from pulsefind.cli.song_file import song_of, with_song
from pulsefind.core.corrections import MOST_NUDGE_MS, is_exact
from pulsefind.core.errors import HintError, OutputError
from pulsefind.core.given import kept_safe, note_given
from pulsefind.core.hints import parse_bpm, parse_meter, parse_range, parse_time
from pulsefind.core.records import Settings
from pulsefind.core.streams import terminal

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis, Pulse

TrackArgument = Annotated[
    Path, typer.Argument(help="A recording: wav, flac, ogg, mp3, m4a, aiff ...", show_default=False)
]
ForceOption = Annotated[bool, typer.Option("--force", help="Replace a file that exists.")]
WRITTEN = ("out", "folder")
"""Names of parameters with a path that a command writes to; it reads from every other path."""

SavedOption = Annotated[
    Path | None, typer.Option("--analysis", help="Use this analysis of the track, saved by `find --out`.")
]


@dataclass(frozen=True)
class Hints:
    """What a person knows about a track, and who listens to it, as typed."""

    meter: Annotated[str | None, typer.Option("--meter", help="The meter of every bar, like 7/8.")] = None
    bpm: Annotated[str | None, typer.Option("--bpm", help="The tempo, like 92 or 80:100.")] = None
    one_at: Annotated[
        str | None, typer.Option("--one-at", help="The time of any 1, like 12.34; 12.340 is meant to the ms.")
    ] = None
    taps: Annotated[
        Path | None,
        typer.Option("--taps", help="Beats you tapped along: a text file, a time a line, with or without counts."),
    ] = None
    taps_by_ear: Annotated[
        bool, typer.Option("--taps-by-ear", help="Let the sound place the taps, and take out a lag that all share.")
    ] = False
    part: Annotated[str | None, typer.Option("--range", help="Look at this part only, like 0:30-2:10.")] = None
    nudge_ms: Annotated[
        float | None, typer.Option("--nudge-ms", help="Move all beats and guides, later if positive, like 12 or -8.")
    ] = None
    song_file: Annotated[
        Path | None, typer.Option("--song-file", help="What you know of the song, if not in SONG.song.toml beside it.")
    ] = None
    no_song_file: Annotated[bool, typer.Option("--no-song-file", help="Leave the song's file alone.")] = False
    beats_from: Annotated[
        Path | None,
        typer.Option("--from", help="Take the beats from this file: MIDI, JAMS, CSV, or text (time, tab, count)."),
    ] = None
    network: Annotated[
        str, typer.Option("--network", help="Who listens: own, both (madmom for a second opinion) or stock (madmom).")
    ] = "own"
    no_cache: Annotated[bool, typer.Option("--no-cache", help="Neither read nor keep intermediate results.")] = False

    @property
    def about_beats(self) -> bool:
        """Whether any of them concerns the beats of the whole track."""
        typed = (self.meter, self.bpm, self.one_at, self.taps, self.taps_by_ear, self.beats_from, self.song_file)
        return any(typed) or self.nudge_ms is not None


@dataclass(frozen=True)
class Without:
    """Next to a record in an annotation: these of its fields aren't options of the command."""

    names: tuple[str, ...]


HintsOnTrack = Annotated[Hints, Without(("part",))]
"""Hints on a whole track; `--range` means something else beside them."""


def spread(command: Callable[..., None]) -> Callable[..., None]:
    """Turn each record among a command's parameters into one option for each field of the record.

    Typer reads the options of a command from its signature, so the function returned has a signature of its own. A
    field carries its option in its annotation, as a parameter would. No name may occur twice.

    Example
    -------
    >>> @dataclass(frozen=True)
    ... class Levels:
    ...     click_db: Annotated[float, typer.Option("--click-db")] = 0.0
    >>> def click(track: Path, levels: Levels) -> None:
    ...     print(levels)
    >>> spread(click)(track=Path("song.flac"), click_db=-3.0)
    Levels(click_db=-3.0)
    """
    parameters: list[Parameter] = []
    records: dict[str, tuple[type[Any], tuple[str, ...]]] = {}
    hints = get_type_hints(command, include_extras=True)
    for name, parameter in signature(command).parameters.items():
        record, left_out = _record_of(hints[name])
        if record is None:
            options = [parameter.replace(annotation=hints[name], kind=Parameter.KEYWORD_ONLY)]
        else:
            options = [one for one in signature(record).parameters.values() if one.name not in left_out]
            kinds = get_type_hints(record, include_extras=True)
            options = [one.replace(annotation=kinds[one.name], kind=Parameter.KEYWORD_ONLY) for one in options]
            records[name] = record, tuple(one.name for one in options)
        parameters += options
    for one in parameters:
        _let_us_say(one.annotation)

    @wraps(command)
    def with_records(**typed: object) -> None:
        made = {
            name: record(**{field: typed.pop(field) for field in names if field in typed})
            for name, (record, names) in records.items()
        }
        with kept_safe():
            for given in _paths({**typed, **{name: vars(record) for name, record in made.items()}}):
                note_given(given)
            command(**typed, **made)

    with_records.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    with_records.__annotations__ = {one.name: one.annotation for one in parameters}
    return with_records


def _let_us_say(annotation: Any) -> None:
    """What may not be read is told by its reader, in a line; typer would answer with the usage of the command."""
    for told in getattr(annotation, "__metadata__", ()):
        if isinstance(told, ParameterInfo):
            told.readable = False


def _paths(typed: Mapping[str, object]) -> Iterator[Path]:
    """Every path that a command is given to read."""
    for name, value in typed.items():
        if name in WRITTEN:
            continue
        if isinstance(value, Mapping):
            yield from _paths(value)
        for path in value if isinstance(value, list) else [value]:
            if isinstance(path, Path):
                yield path


def _record_of(annotation: object) -> tuple[type[Any] | None, tuple[str, ...]]:
    """The record that an annotation names, if any, and the fields that it leaves out."""
    left_out: tuple[str, ...] = ()
    if get_origin(annotation) is Annotated:
        annotation, *beside = get_args(annotation)
        left_out = tuple(name for one in beside if isinstance(one, Without) for name in one.names)
    if isinstance(annotation, type) and is_dataclass(annotation):
        return annotation, left_out
    return None, ()


def settings_from(hints: Hints) -> Settings:
    """Read the hints as typed.

    Raises
    ------
    HintError
        if one can't be understood, or they contradict each other.
    FormatError
        if the file of taps can't be read.
    """
    low, high = parse_bpm(hints.bpm) if hints.bpm else (None, None)
    start_s, end_s = parse_range(hints.part) if hints.part else (None, None)
    settings = Settings(
        meter=parse_meter(hints.meter) if hints.meter else None,
        bpm_low=low,
        bpm_high=high,
        one_at_s=parse_time(hints.one_at, "--one-at") if hints.one_at else None,
        one_exact=is_exact(hints.one_at or ""),
        start_s=start_s,
        end_s=end_s,
        use_cache=not hints.no_cache,
        network=hints.network,
        taps_by_ear=hints.taps_by_ear,
        nudge_ms=_nudge(hints.nudge_ms),
    )
    return _with_taps(settings, hints.taps) if hints.taps else settings


def _nudge(nudge_ms: float | None) -> float | None:
    if nudge_ms is not None and not abs(nudge_ms) <= MOST_NUDGE_MS:
        raise HintError(f"--nudge-ms {nudge_ms:g}: the grid can be moved by up to {MOST_NUDGE_MS:g} ms")
    return nudge_ms


def _with_taps(settings: Settings, taps: Path) -> Settings:
    from pulsefind.beats.imported import tapped
    from pulsefind.export.formats import read_beats

    return tapped(read_beats(taps), settings, taps.name)


def analysed(track: Path, settings: Settings, hints: Hints | None = None) -> Analysis:
    """Analyse a recording, obeying the song's file and showing progress; beats may come from a file.

    Raises
    ------
    PulsefindError
        if the recording, the song's file or the file of beats can't be read, or --from stands beside --taps.
    """
    from pulsefind.core.beside import Beside
    from pulsefind.listen.audio import load

    hints = hints or Hints()
    if hints.beats_from and settings.taps_s:
        raise HintError("--from brings all the beats; leave out --taps, or it")
    pulse = _beats_from(hints.beats_from, settings) if hints.beats_from else None
    song = song_of(track, hints)
    with progress("reading"), Beside(lambda: load(track)) as reading:
        # What is imported takes as long as the file.
        from pulsefind.analysis import analyse

        audio = reading.result()
        return analyse(audio, with_song(settings, song, audio, hints), show_progress, pulse)


def _beats_from(file: Path, settings: Settings) -> Pulse:
    from pulsefind.beats.imported import pulse_of
    from pulsefind.export.formats import read_beats

    return pulse_of(read_beats(file), settings, file.name)


def check_saved(saved: Path | None, hints: Hints) -> None:
    """Refuse hints along with a saved analysis, which they couldn't change."""
    if saved and hints.about_beats:
        named = "--from, --meter, --bpm, --one-at, --taps, --nudge-ms and --song-file"
        raise HintError(f"--analysis brings its own beats; leave out {named}, or it")


def is_saved(track: Path) -> bool:
    """Whether a file's name says that it is a saved analysis."""
    return track.suffix.lower() == ".json"


def check_ending(out: Path, endings: tuple[str, ...], force: bool) -> None:
    """Refuse an output whose ending means another kind of file, or that mustn't be replaced."""
    from pulsefind.core.files import check_free

    if out.suffix.lower() not in endings:
        raise OutputError(f"{out}: the name must end in {' or '.join(endings)}")
    check_free(out, force)


def show_progress(stage: str) -> None:
    """Say on the terminal what is being done; nothing where stderr is a file or a pipe."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{stage} ...", end="", file=terminal(), flush=True)


def clear_progress() -> None:
    """Take what `show_progress` said off the terminal."""
    if sys.stderr.isatty():
        print("\r\x1b[K", end="", file=terminal(), flush=True)


@contextmanager
def progress(stage: str) -> Iterator[None]:
    """Say what is being done, and at the end take what `show_progress` said since off the terminal."""
    try:
        show_progress(stage)
        yield
    finally:
        clear_progress()
