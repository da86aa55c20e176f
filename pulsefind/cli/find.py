"""The command `find`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.cli.many import find_many, songs_of
from pulsefind.cli.opening import opened, recording_of
from pulsefind.cli.options import ForceOption, Hints
from pulsefind.cli.song_file import keep_hints
from pulsefind.core.errors import HintError
from pulsefind.core.given import is_folder

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis

SongsArgument = Annotated[
    list[Path],
    typer.Argument(help="Recordings or saved analyses, a folder, or a set.", metavar="SONG...", show_default=False),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the analysis as JSON instead of the report.")]
KeepOption = Annotated[bool, typer.Option("--keep", help="Write what you tell here into the song's file.")]
OutOption = Annotated[
    Path | None,
    typer.Option("--out", help="Write the analysis to this file, as JSON; several to a folder."),
]


def find(
    songs: SongsArgument,
    hints: Hints,
    json_output: JsonOption = False,
    out: OutOption = None,
    force: ForceOption = False,
    keep: KeepOption = False,
) -> None:
    """Find the beat, the 1, and which sound to follow. `pulsefind SONG` does the same.

    Of several songs, or a folder, each gets a line, and the end says what needs an ear; --out is a folder then.
    """
    if len(songs) > 1 or is_folder(songs[0]) or songs[0].suffix.lower() == ".toml":
        if keep:
            raise HintError("--keep writes what you tell of one song; name that song")
        if json_output:
            raise HintError("--json prints one analysis; for several songs write them to a folder with --out")
        if find_many(songs_of(songs), hints, out, force):
            raise typer.Exit(2)
        return
    song = songs[0]
    if out is not None:
        from pulsefind.core.files import check_free

        check_free(out, force)
    analysis = opened(song, hints)
    if keep:
        keep_hints(recording_of(song), hints, analysis)
    _show(analysis, json_output, out, force)


def _show(analysis: Analysis, json_output: bool, out: Path | None, force: bool) -> None:
    from pulsefind.core.files import write_file
    from pulsefind.report.terminal import report
    from pulsefind.saved import to_json

    if out is not None:
        write_file(out, to_json(analysis).encode(), force)
    print(to_json(analysis) if json_output else report(analysis), end="\n" if json_output else "")
