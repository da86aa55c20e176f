"""The command line of eval."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from eval.loaders import load_set
from eval.running import run_tracks
from eval.store import read_result, write_text
from eval.systems import SYSTEMS, systems_named
from eval.table import table
from pulsefind.errors import PulsefindError

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False, help=__doc__)

DEFAULT_SYSTEMS = ",".join(SYSTEMS)


@app.command()
def run(
    sets: Annotated[list[str], typer.Argument(metavar="SET...", help="Names of sets, each a folder below --root.")],
    root: Annotated[Path, typer.Option(help="Folder that holds the sets.")],
    systems: Annotated[str, typer.Option(help="Comma-separated; the first is compared with the others.")] = DEFAULT_SYSTEMS,
    out: Annotated[Path, typer.Option(help="Where results are kept and found again.")] = Path("results"),
    jobs: Annotated[int, typer.Option(min=1, help="Tracks at once; timings are fair only at 1.")] = 1,
    backend: Annotated[str, typer.Option(help="joblib backend: loky, threading, dask, ...")] = "loky",
) -> None:
    """Score systems on sets; write result.json, table.md and a file for each track."""
    chosen = systems_named(systems)
    tracks = [track for name in dict.fromkeys(sets) for track in load_set(name, root)]
    text = table(run_tracks(tracks, chosen, out, jobs, backend))
    write_text(out / "table.md", text)
    typer.echo(text, nl=False)


@app.command()
def show(result: Annotated[Path, typer.Argument(help="A result.json.")]) -> None:
    """Print the table of a result."""
    typer.echo(table(read_result(result)), nl=False)


def main() -> None:
    """Run the command line; bad input is one line on standard error and exit code 2."""
    try:
        app()
    except PulsefindError as error:
        print(f"eval: {error}", file=sys.stderr)
        raise SystemExit(2) from None
