"""The command `export`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.opening import SongArgument, opened
from pulsefind.cli.options import ForceOption, Hints
from pulsefind.core.errors import OutputError

ToOption = Annotated[str, typer.Option("--to", help="Formats, with commas: midi, jams, beats, csv.")]
ExportOutOption = Annotated[
    Path | None, typer.Option("--out", help="Name of the files without ending; else the track's, in this folder.")
]


def export(
    song: SongArgument,
    hints: Hints,
    to: ToOption = "midi",
    out: ExportOutOption = None,
    force: ForceOption = False,
) -> None:
    """Write beats, bars and guides in open formats: MIDI, JAMS, plain text, CSV."""
    from pulsefind.core.files import check_free, new_files
    from pulsefind.export.formats import ENDINGS, check_formats
    from pulsefind.export.formats import export as export_as

    kinds = check_formats(to)
    base = out or Path(song.stem)
    if not base.name:
        raise OutputError(f"{base}: is a folder; name a file in it")
    for kind in kinds:
        for ending in ENDINGS[kind]:
            check_free(_named(base, ending), force)
    analysis = opened(song, hints)
    files = {_named(base, end): data for kind in kinds for end, data in export_as(analysis, kind).items()}
    with new_files(list(files), force) as work:
        for path, data in files.items():
            (work / path.name).write_bytes(data)
    print("\n".join(map(str, files)))


def _named(base: Path, ending: str) -> Path:
    """The base with an ending, unless it has it already."""
    return base if base.name.lower().endswith(ending) else base.with_name(base.name + ending)
