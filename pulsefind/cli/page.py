"""The commands `page` and `sheet`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli import app as cli
from pulsefind.core.errors import HintError, OutputError
from pulsefind.core.records import Analysis, Settings


class Sound(StrEnum):
    """Where the page finds the recording."""

    inside = "inside"
    beside = "beside"


class Light(StrEnum):
    """How the page looks when it is opened."""

    auto = "auto"
    dark = "dark"
    bright = "bright"


class Paper(StrEnum):
    """Paper that the sheet is laid out for."""

    a4 = "a4"
    letter = "letter"


PageOutOption = Annotated[Path, typer.Option("--out", help="The page to write, an .html file.", show_default=False)]
SoundOption = Annotated[
    Sound, typer.Option("--audio", help="Put the recording inside, or leave it beside: the page then asks for it.")
]
LightOption = Annotated[Light, typer.Option("--light", help="For a dark room or a bright stage; it can be switched.")]
TakeOption = Annotated[
    Path | None, typer.Option("--take", help="Show this review of a take, saved by `pulsefind take --out`.")
]
PageHistoryOption = Annotated[
    Path | None,
    typer.Option("--history", help="With --take: show the takes in this file of `pulsefind take --history`."),
]
TracksArgument = Annotated[
    list[Path],
    typer.Argument(help="Recordings, or analyses saved by `find --out`, in the order of the set.", show_default=False),
]
SheetOutOption = Annotated[
    Path, typer.Option("--out", help="The sheet to write, an .html or a .pdf file.", show_default=False)
]
PaperOption = Annotated[Paper, typer.Option("--paper", help="The paper to print on.")]


def page(
    track: cli.TrackArgument,
    out: PageOutOption,
    audio: SoundOption = Sound.inside,
    light: LightOption = Light.auto,
    take: TakeOption = None,
    history: PageHistoryOption = None,
    meter: cli.MeterOption = None,
    bpm: cli.BpmOption = None,
    one_at: cli.OneAtOption = None,
    taps: cli.TapsOption = None,
    part: cli.RangeOption = None,
    force: cli.ForceOption = False,
    network: cli.NetworkOption = "both",
    no_cache: cli.NoCacheOption = False,
) -> None:
    """Write a page to see, hear and practise a track in a browser: one file, no network."""
    settings = cli.settings_from(meter, bpm, one_at, taps, part, not no_cache, network)
    _check_out(out, (".html", ".htm"), force, [track])
    if history is not None and take is None:
        raise HintError("--history belongs to --take; name the review of a take too")
    from pulsefind.analysis import analyse
    from pulsefind.core.files import write_file
    from pulsefind.listen.audio import load
    from pulsefind.page.page import page_html, read_recording
    from pulsefind.page.take_view import read_take_review

    try:
        loaded = load(track)
        analysis = analyse(loaded, settings, cli._show_progress)
    finally:
        cli._clear_progress()
    recording = read_recording(track, loaded) if audio is Sound.inside else None
    review = read_take_review(take, analysis, history) if take is not None else None
    html = page_html(analysis, loaded, recording, str(track), str(out), light.value, review)
    write_file(out, html.encode(), force)
    print(f"{out}: {len(html) / 1e6:.1f} MB; open it in a browser")
    for warning in analysis.warnings:
        print(f"Note: {warning}")


def sheet(
    tracks: TracksArgument,
    out: SheetOutOption,
    paper: PaperOption = Paper.a4,
    force: cli.ForceOption = False,
    network: cli.NetworkOption = "both",
    no_cache: cli.NoCacheOption = False,
) -> None:
    """Write the gig sheet: a page a song, and the order, tempo jumps and doubts of a whole set."""
    _check_out(out, (".html", ".htm", ".pdf"), force, tracks)
    from pulsefind.core.files import write_file
    from pulsefind.page.pdf import pdf_of
    from pulsefind.page.sheet import sheet_html

    html = sheet_html((_analysis_of(track, not no_cache, network) for track in tracks), paper.value)
    write_file(out, pdf_of(html) if out.suffix.lower() == ".pdf" else html.encode(), force)
    print(f"{out}: {len(tracks)} {'song' if len(tracks) == 1 else 'songs'}")


def _check_out(out: Path, endings: tuple[str, ...], force: bool, sources: list[Path]) -> None:
    from pulsefind.core.files import check_free

    if out.suffix.lower() not in endings:
        raise OutputError(f"{out}: the name must end in {' or '.join(endings)}")
    for source in sources:
        check_free(out, force, source)


def _analysis_of(track: Path, use_cache: bool, network: str) -> Analysis:
    """Read a saved analysis, or analyse a recording."""
    from pulsefind.analysis import analyse, load_analysis

    if track.suffix.lower() == ".json":
        return load_analysis(track)
    try:
        return analyse(track, Settings(use_cache=use_cache, network=network), cli._show_progress)
    finally:
        cli._clear_progress()
