"""The command line. Results go to stdout, messages to stderr; bad input ends with one line and exit code 2."""

from __future__ import annotations

import os
import sys
import warnings
from pathlib import Path
from typing import Annotated, TextIO

import typer
from typer.core import TyperGroup

from pulsefind import __version__
from pulsefind.cli.click import click
from pulsefind.cli.demo import demo
from pulsefind.cli.export import export
from pulsefind.cli.find import find
from pulsefind.cli.hear import hear
from pulsefind.cli.merge import merge
from pulsefind.cli.options import clear_progress, spread
from pulsefind.cli.page import page
from pulsefind.cli.room import room
from pulsefind.cli.sections import sections
from pulsefind.cli.sheet import sheet
from pulsefind.cli.soundcheck import soundcheck
from pulsefind.cli.take import take
from pulsefind.core.errors import PulsefindError
from pulsefind.core.stopping import stop_in_order
from pulsefind.core.streams import one_line, shown


class Commands(TyperGroup):
    """The commands; a song without one is found."""

    def parse_args(self, ctx: typer.Context, args: list[str]) -> list[str]:  # type: ignore[override]
        """Put `find` before a song that comes without a command."""
        if args and args[0] not in self.commands and _is_song(args[0]):
            args = ["find", *args]
        return super().parse_args(ctx, args)


def _is_song(word: str) -> bool:
    """Is a word the name of a file rather than a misspelt command?"""
    return not word.startswith("-") and (Path(word).suffix != "" or Path(word).exists())


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Find the beat, the 1 and the sound to follow in a recording, for playing along without a click.",
)

LICENCES = """\
Code and weights of its networks are under the MIT licence: paid work is welcome.
madmom's networks, which listen only with --network both or stock, are under CC BY-NC-SA 4.0: not for paid work."""


def main() -> None:
    """Run the command line; errors that a person can act on become one line and exit code 2."""
    warnings.showwarning = _show_warning
    stop_in_order("pulsefind", clear_progress)
    with shown():
        _run()


def _run() -> None:
    try:
        try:
            app(standalone_mode=True)
        finally:
            sys.stdout.flush()
    except PulsefindError as error:
        clear_progress()
        print(f"pulsefind: {one_line(str(error))}", file=sys.stderr)
        sys.exit(2)
    except BrokenPipeError:
        # Whoever reads our output has seen enough.
        _print_nothing_more()
        sys.exit(1)
    except OSError as error:
        # A full disk, a folder that can't be entered: something a person can act on.
        clear_progress()
        told = f"{error.filename or 'the output'}: {error.strerror or error}"
        print(f"pulsefind: {one_line(told)}", file=sys.stderr)
        _print_nothing_more()
        sys.exit(2)


def _print_nothing_more() -> None:
    """What couldn't be printed is dropped; Python would try again at exit, and complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


def _show_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Libraries' warnings mean nothing to a drummer; our own are one line."""
    if category.__module__.startswith("pulsefind"):
        clear_progress()
        print(f"pulsefind: {one_line(str(message))}", file=sys.stderr)


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


for command in (find, demo, click, hear, export, page, sheet, take, merge, sections, room, soundcheck):
    app.command()(spread(command))
