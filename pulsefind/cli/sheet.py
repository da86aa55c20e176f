"""The command `sheet`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.options import ForceOption, Hints, Without, analysed, check_ending, is_saved, settings_from
from pulsefind.core.records import Analysis, Settings


class Paper(StrEnum):
    """Paper that the sheet is laid out for."""

    a4 = "a4"
    letter = "letter"


TracksArgument = Annotated[
    list[Path],
    typer.Argument(help="Recordings, or analyses saved by `find --out`, in the order of the set.", show_default=False),
]
SheetOutOption = Annotated[
    Path, typer.Option("--out", help="The sheet to write, an .html or a .pdf file.", show_default=False)
]
PaperOption = Annotated[Paper, typer.Option("--paper", help="The paper to print on.")]
Listening = Annotated[Hints, Without(("meter", "bpm", "one_at", "taps", "taps_by_ear", "part", "beats_from"))]


def sheet(
    tracks: TracksArgument,
    out: SheetOutOption,
    hints: Listening,
    paper: PaperOption = Paper.a4,
    force: ForceOption = False,
) -> None:
    """Write the gig sheet: a page a song, and the order, tempo jumps and doubts of a whole set."""
    check_ending(out, (".html", ".htm", ".pdf"), force, tracks)
    from pulsefind.core.files import write_file
    from pulsefind.page.pdf import pdf_of
    from pulsefind.page.sheet import sheet_html

    settings = settings_from(hints)
    html = sheet_html((_analysis_of(track, settings) for track in tracks), paper.value)
    write_file(out, pdf_of(html) if out.suffix.lower() == ".pdf" else html.encode(), force)
    print(f"{out}: {len(tracks)} {'song' if len(tracks) == 1 else 'songs'}")


def _analysis_of(track: Path, settings: Settings) -> Analysis:
    """Read a saved analysis, or analyse a recording."""
    from pulsefind.saved import load_analysis

    return load_analysis(track) if is_saved(track) else analysed(track, settings)
