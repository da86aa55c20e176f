"""The command line. Results go to stdout, messages to stderr; bad input ends with one line and exit code 2."""

from __future__ import annotations

import io
import sys
import warnings
from pathlib import Path
from typing import Annotated, TextIO

import typer

from pulsefind import __version__
from pulsefind.core.errors import HintError, PulsefindError
from pulsefind.core.hints import parse_bpm, parse_meter, parse_range, parse_time
from pulsefind.core.records import Analysis, Settings
from pulsefind.core.stopping import stop_in_order

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Find the beat, the 1 and the sound to follow in a recording, for playing along without a click.",
)

LICENCES = """\
pulsefind's own code is under the MIT licence.
Its own network's weights are under the MIT licence too: --network own uses nothing else.
By default madmom's networks listen as well; they are under CC BY-NC-SA 4.0: not for paid work.
madmom's code is under the BSD licence."""


def main() -> None:
    """Run the command line; errors that a person can act on become one line and exit code 2."""
    warnings.showwarning = _show_warning
    stop_in_order("pulsefind", _clear_progress)
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A name on disk may hold bytes that are no text.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        app(standalone_mode=True)
    except PulsefindError as error:
        _clear_progress()
        print(f"pulsefind: {' '.join(str(error).split())}", file=sys.stderr)
        sys.exit(2)
    except BrokenPipeError:
        # Whoever read our output has heard enough. Python would complain once more at exit.
        sys.stderr.close()
        sys.exit(1)


def _show_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Warnings of the libraries that we use tell a drummer nothing; our own are one line."""
    if category.__module__.startswith("pulsefind"):
        _clear_progress()
        print(f"pulsefind: {' '.join(str(message).split())}", file=sys.stderr)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"pulsefind {__version__}\n{LICENCES}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show version and licences.")
    ] = False,
) -> None:
    """Take the options that stand before a command."""


TrackArgument = Annotated[
    Path, typer.Argument(help="A recording: wav, flac, ogg, mp3, m4a, aiff ...", show_default=False)
]
MeterOption = Annotated[str | None, typer.Option("--meter", help="The meter of every bar, like 7/8.")]
BpmOption = Annotated[str | None, typer.Option("--bpm", help="The tempo, like 92 or 80:100.")]
OneAtOption = Annotated[str | None, typer.Option("--one-at", help="The time of any 1, like 12.34 or 1:02.5.")]
TapsOption = Annotated[
    Path | None,
    typer.Option("--taps", help="Beats you tapped along: a text file, a time a line, with or without counts."),
]
RangeOption = Annotated[str | None, typer.Option("--range", help="Look at this part only, like 0:30-2:10.")]
OutOption = Annotated[Path | None, typer.Option("--out", help="Write the analysis to this file, as JSON.")]
ForceOption = Annotated[bool, typer.Option("--force", help="Replace a file that exists.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the analysis as JSON instead of the report.")]
FromOption = Annotated[
    Path | None,
    typer.Option("--from", help="Take the beats from this file: MIDI, JAMS, CSV, or text (time, tab, count)."),
]
NetworkOption = Annotated[
    str, typer.Option("--network", help="Who listens: both, own (free weights) or stock (not for paid work).")
]
NoCacheOption = Annotated[bool, typer.Option("--no-cache", help="Neither read nor keep intermediate results.")]


def settings_from(
    meter: str | None,
    bpm: str | None,
    one_at: str | None,
    taps: Path | None,
    part: str | None,
    use_cache: bool,
    network: str,
) -> Settings:
    """Read the hints as typed.

    Raises
    ------
    HintError
        if one can't be understood, or they contradict each other.
    FormatError
        if the file of taps can't be read.
    """
    low, high = parse_bpm(bpm) if bpm else (None, None)
    start_s, end_s = parse_range(part) if part else (None, None)
    settings = Settings(
        meter=parse_meter(meter) if meter else None,
        bpm_low=low,
        bpm_high=high,
        one_at_s=parse_time(one_at, "--one-at") if one_at else None,
        start_s=start_s,
        end_s=end_s,
        use_cache=use_cache,
        network=network,
    )
    return _with_taps(settings, taps) if taps else settings


def _with_taps(settings: Settings, taps: Path) -> Settings:
    from pulsefind.beats.imported import tapped
    from pulsefind.export.formats import read_beats

    return tapped(read_beats(taps), settings, taps.name)


@app.command()
def find(
    track: TrackArgument,
    meter: MeterOption = None,
    bpm: BpmOption = None,
    one_at: OneAtOption = None,
    taps: TapsOption = None,
    part: RangeOption = None,
    beats_from: FromOption = None,
    json_output: JsonOption = False,
    out: OutOption = None,
    force: ForceOption = False,
    network: NetworkOption = "both",
    no_cache: NoCacheOption = False,
) -> None:
    """Find the beat, the 1, and which sound to follow in a recording."""
    settings = settings_from(meter, bpm, one_at, taps, part, not no_cache, network)
    if out is not None:
        from pulsefind.core.files import check_free

        check_free(out, force, track)
    analysis = _analyse(track, settings, beats_from)
    _show(analysis, json_output, out, force)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put the song.")] = Path("pulsefind-demo"),
    force: ForceOption = False,
) -> None:
    """Make an invented song without drums, find its pulse, and show the report beside the truth."""
    from pulsefind.demo import compare, write_song

    path, song = write_song(folder, force)
    analysis = _analyse(path, Settings())
    from pulsefind.report import report

    print(report(analysis))
    print(compare(analysis, song, path))


def _analyse(track: Path, settings: Settings, beats_from: Path | None = None) -> Analysis:
    from pulsefind.analysis import analyse
    from pulsefind.beats.imported import pulse_of
    from pulsefind.export.formats import read_beats

    if beats_from and settings.taps_s:
        raise HintError("--from brings all the beats; leave out --taps, or it")
    pulse = pulse_of(read_beats(beats_from), settings, beats_from.name) if beats_from else None
    try:
        return analyse(track, settings, _show_progress, pulse)
    finally:
        _clear_progress()


def _show(analysis: Analysis, json_output: bool, out: Path | None, force: bool) -> None:
    from pulsefind.analysis import to_json
    from pulsefind.core.files import write_file
    from pulsefind.report import report

    if out is not None:
        write_file(out, to_json(analysis).encode(), force)
    print(to_json(analysis) if json_output else report(analysis), end="\n" if json_output else "")


def _show_progress(stage: str) -> None:
    if sys.stderr.isatty():
        print(f"\r\x1b[K{stage} ...", end="", file=sys.stderr, flush=True)


def _clear_progress() -> None:
    if sys.stderr.isatty():
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)


# Commands with a file of their own; they use the options above, so they are fetched last.
from pulsefind.cli.click import click, export  # noqa: E402
from pulsefind.cli.hear import hear  # noqa: E402
from pulsefind.cli.page import page, sheet  # noqa: E402
from pulsefind.cli.soundcheck import soundcheck  # noqa: E402
from pulsefind.cli.take import take  # noqa: E402

for command in (click, hear, export, page, sheet, take, soundcheck):
    app.command()(command)
