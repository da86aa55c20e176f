"""The command `demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.options import ForceOption, Hints, analysed
from pulsefind.core.records import Settings

FolderArgument = Annotated[Path, typer.Argument(help="Where to put the song.")]


def demo(folder: FolderArgument = Path("pulsefind-demo"), force: ForceOption = False) -> None:
    """Make an invented song without drums, find its pulse, and show the report beside the truth."""
    from pulsefind.demo import compare, write_song

    path, song = write_song(folder, force)
    analysis = analysed(path, Settings(), Hints(no_song_file=True))
    from pulsefind.report.terminal import report

    print(report(analysis))
    print(compare(analysis, song, path))
