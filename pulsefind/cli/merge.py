"""The command `merge`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.options import ForceOption

MineArgument = Annotated[Path, typer.Argument(help="A song's file; its comments are kept.", show_default=False)]
TheirsArgument = Annotated[Path, typer.Argument(help="Somebody else's file of the same song.", show_default=False)]
MergedOption = Annotated[Path, typer.Option("--out", help="The file to write.", show_default=False)]


def merge(mine: MineArgument, theirs: TheirsArgument, out: MergedOption, force: ForceOption = False) -> None:
    """Make one song's file of two people's; where they say different things, name them and write nothing."""
    from pulsefind.core.files import check_free, write_file
    from pulsefind.song.merging import merged
    from pulsefind.song.reading import read_song
    from pulsefind.song.words import told

    check_free(out, force)
    text = merged(read_song(mine), read_song(theirs))
    write_file(out, text.encode(), force)
    print(f"{out}: {told(read_song(out).corrections)}")
