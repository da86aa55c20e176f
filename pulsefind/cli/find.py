"""The command `find`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.cli.opening import SongArgument, opened
from pulsefind.cli.options import ForceOption, Hints

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis

JsonOption = Annotated[bool, typer.Option("--json", help="Print the analysis as JSON instead of the report.")]
OutOption = Annotated[Path | None, typer.Option("--out", help="Write the analysis to this file, as JSON.")]


def find(
    song: SongArgument,
    hints: Hints,
    json_output: JsonOption = False,
    out: OutOption = None,
    force: ForceOption = False,
) -> None:
    """Find the beat, the 1, and which sound to follow. `pulsefind SONG` does the same."""
    if out is not None:
        from pulsefind.core.files import check_free

        check_free(out, force, song)
    _show(opened(song, hints), json_output, out, force)


def _show(analysis: Analysis, json_output: bool, out: Path | None, force: bool) -> None:
    from pulsefind.core.files import write_file
    from pulsefind.report.terminal import report
    from pulsefind.saved import to_json

    if out is not None:
        write_file(out, to_json(analysis).encode(), force)
    print(to_json(analysis) if json_output else report(analysis), end="\n" if json_output else "")
