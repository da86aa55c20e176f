"""The command `sheet`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.many import songs_of
from pulsefind.cli.opening import opened
from pulsefind.cli.options import ForceOption, Hints, check_ending
from pulsefind.core.errors import HintError


class Paper(StrEnum):
    """Paper that the sheet is laid out for."""

    a4 = "a4"
    letter = "letter"


TracksArgument = Annotated[
    list[Path],
    typer.Argument(help="Recordings, saved analyses, or a set.toml, in the order of the set.", show_default=False),
]
SheetOutOption = Annotated[
    Path | None,
    typer.Option("--out", help="The sheet to write, .html or .pdf; else the song's name and 'sheet', or set.html."),
]
TitleOption = Annotated[str | None, typer.Option("--title", help="What stands over the set, or over its only song.")]
PaperOption = Annotated[Paper, typer.Option("--paper", help="The paper to print on.")]


def sheet(
    tracks: TracksArgument,
    hints: Hints,
    out: SheetOutOption = None,
    title: TitleOption = None,
    paper: PaperOption = Paper.a4,
    force: ForceOption = False,
) -> None:
    """Write the gig sheet: a page a song, and the order, tempo jumps and doubts of a whole set."""
    tracks = songs_of(tracks)
    if len(tracks) > 1 and (hints.about_beats or hints.part):
        raise HintError("corrections are for one song; save that one's analysis with find --out and name it here")
    out = out or Path(f"{tracks[0].stem} sheet.html" if len(tracks) == 1 else "set.html")
    check_ending(out, (".html", ".htm", ".pdf"), force)
    from pulsefind.core.files import write_file
    from pulsefind.page.pdf import pdf_of
    from pulsefind.page.sheet import sheet_html

    html = sheet_html((opened(track, hints) for track in tracks), paper.value, title)
    write_file(out, pdf_of(html) if out.suffix.lower() == ".pdf" else html.encode(), force)
    print(f"{out}: {len(tracks)} {'song' if len(tracks) == 1 else 'songs'}")
