"""The command `export`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.options import ForceOption, Hints, analysed, is_saved, settings_from
from pulsefind.core.errors import HintError

ToOption = Annotated[str, typer.Option("--to", help="Formats, with commas: midi, jams, beats, csv.")]
ExportOutOption = Annotated[
    Path | None, typer.Option("--out", help="Name of the files without ending; else the track's, in this folder.")
]
AnalysisArgument = Annotated[
    Path, typer.Argument(help="A recording, or an analysis saved by `find --out`.", show_default=False)
]


def export(
    source: AnalysisArgument,
    to: ToOption,
    hints: Hints,
    out: ExportOutOption = None,
    force: ForceOption = False,
) -> None:
    """Write beats, bars and guides in open formats: MIDI, JAMS, plain text, CSV."""
    from pulsefind.core.files import check_free, write_file
    from pulsefind.export.formats import ENDINGS, check_formats
    from pulsefind.export.formats import export as export_as

    kinds = check_formats(to)
    base = out or Path(source.stem)
    for kind in kinds:
        for ending in ENDINGS[kind]:
            check_free(_named(base, ending), force, source)
    if is_saved(source):
        if hints.about_beats or hints.part:
            raise HintError(f"{source}: is analysed already; name the recording to use --from or a hint")
        from pulsefind.saved import load_analysis

        analysis = load_analysis(source)
    else:
        analysis = analysed(source, settings_from(hints), hints.beats_from)
    files = {_named(base, end): data for kind in kinds for end, data in export_as(analysis, kind).items()}
    for path, data in files.items():
        write_file(path, data, force)
        print(path)


def _named(base: Path, ending: str) -> Path:
    """The base with an ending, which may be there already."""
    return base if base.name.lower().endswith(ending) else base.with_name(base.name + ending)
