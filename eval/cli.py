"""The command line of eval."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from eval.decoder.ablation import ablation_table, scores
from eval.decoder.correcting import corrected, course_table
from eval.decoder.hinted import hint_table, hinted
from eval.reader.commands import app as reader
from eval.robustness.commands import (
    campaign,
    fuzz,
    interrupts,
    licences,
    moments,
    mutants,
    page,
    picture,
    room,
    room_first,
    room_songs,
    room_speed,
    same,
)
from eval.scoring.comparing import comparison, falls, refrozen
from eval.scoring.running import run_tracks
from eval.scoring.systems import SYSTEMS, systems_named
from eval.scoring.table import table, with_table
from eval.sets.bands import FIRST_SEED, write_bands
from eval.sets.datasets import SETS, how_to_get
from eval.sets.drumless import level_curve, swing_curve
from eval.sets.heard import listened
from eval.sets.loaders import load_set
from eval.sets.songs import SET_NAME, fetch_set
from eval.sets.synthetic import write_set
from eval.sets.unfollowable import silent_rows
from eval.sets.variants import varied
from eval.store import read_json, read_result, write_json, write_text
from eval.take.commands import take, take_band, take_fit, take_songs, take_strokes
from eval.train.commands import app as train
from pulsefind.core.errors import FormatError, PulsefindError
from pulsefind.core.stopping import stop_in_order

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False, help=__doc__)

BASELINE = Path(__file__).parent / "scoring" / "baseline.json"
DEFAULT_SYSTEMS = ",".join(SYSTEMS)


@app.command()
def run(
    sets: Annotated[list[str], typer.Argument(metavar="SET...", help="Names of sets, each a folder below --root.")],
    root: Annotated[Path, typer.Option(help="Folder that holds the sets.")],
    systems: Annotated[
        str, typer.Option(help="Comma-separated; the first is compared with the others.")
    ] = DEFAULT_SYSTEMS,
    out: Annotated[Path, typer.Option(help="Where results are kept and found again.")] = Path("results"),
    jobs: Annotated[int, typer.Option(min=1, help="Tracks at once; timings are fair only at 1.")] = 1,
    backend: Annotated[str, typer.Option(help="joblib backend: loky, threading, dask, ...")] = "loky",
    variant: Annotated[str | None, typer.Option(help="Change the sound: quieter, later or hissing.")] = None,
) -> None:
    """Score systems on sets; write result.json, table.md and a file for each track."""
    chosen = systems_named(systems)
    tracks = [track for name in dict.fromkeys(sets) for track in load_set(name, root)]
    if variant is not None:
        tracks = [varied(track, variant, out / "variants") for track in tracks]
    text = table(run_tracks(tracks, chosen, out, jobs, backend))
    write_text(out / "table.md", text)
    typer.echo(text, nl=False)


@app.command()
def show(
    result: Annotated[Path, typer.Argument(help="A result.json.")],
    into: Annotated[Path | None, typer.Option(help="Markdown file whose marked part becomes the table.")] = None,
) -> None:
    """Print the table of a result, or put it into a document."""
    text = table(read_result(result))
    if into is None:
        typer.echo(text, nl=False)
    else:
        write_text(into, with_table(into, text))


@app.command()
def compare(
    before: Annotated[Path, typer.Argument(metavar="A.json", help="The result before.")],
    after: Annotated[Path, typer.Argument(metavar="B.json", help="The result after.")],
    system: Annotated[str, typer.Option(help="The system to compare.")] = "pulsefind",
) -> None:
    """Show what changed between two results, track by track, with a sign test."""
    typer.echo(comparison(read_result(before), read_result(after), system), nl=False)


@app.command()
def freeze(
    results: Annotated[list[Path], typer.Argument(metavar="RESULT [VARIANT...]", help="A result, then its variants.")],
    system: Annotated[str, typer.Option(help="The system whose figures are frozen.")] = "pulsefind",
    out: Annotated[Path, typer.Option(help="The frozen file.")] = BASELINE,
) -> None:
    """Freeze a result's means, with their noise over variants of the same sound; other sets stay as frozen."""
    write_json(out, refrozen(read_json(out), [read_result(path) for path in results], system))


@app.command()
def check(
    result: Annotated[Path, typer.Argument(help="A result.json.")],
    baseline: Annotated[Path, typer.Option(help="The frozen file.")] = BASELINE,
) -> None:
    """Fail (exit code 1) when a mean fell by more than its noise since it was frozen."""
    known = read_json(baseline)
    if known is None:
        raise FormatError(f"{baseline}: isn't a frozen result; make it with `python -m eval freeze`")
    found, checked = falls(read_result(result), known)
    for fall in found:
        typer.echo(str(fall))
    typer.echo(f"{len(found)} figures fell; sets checked: {', '.join(checked)}")
    if found:
        raise typer.Exit(1)


@app.command()
def sets() -> None:
    """List the sets that eval knows, and how to get them."""
    for info in SETS.values():
        typer.echo(f"{info.name}: {how_to_get(info)}")


@app.command()
def synthesise(
    root: Annotated[Path, typer.Option(help="Folder in which the set is made.")],
    seconds: Annotated[float, typer.Option(min=5.0, help="Length of each song.")] = 40.0,
) -> None:
    """Make the small set "synthetic" from code."""
    typer.echo(f"{root / 'synthetic'}: {', '.join(write_set(root / 'synthetic', seconds))}")


@app.command()
def songs(root: Annotated[Path, typer.Option(help="Folder in which the set is made.")]) -> None:
    """Fetch a Debian package with four full songs and make the set "muldjord" of it."""
    typer.echo(f"{root / SET_NAME}: {', '.join(fetch_set(root))}")


@app.command()
def bands(
    root: Annotated[Path, typer.Option(help="Folder in which the sets are made.")],
    count: Annotated[int, typer.Option(min=1, help="Songs in each set.")] = 30,
    font: Annotated[
        list[Path] | None, typer.Option(help="A SoundFont for the pitched instruments; may be repeated.")
    ] = None,
) -> None:
    """Make the sets "bands" and "bands_drumless": songs whose instruments' onsets are all known."""
    for name in FIRST_SEED:
        typer.echo(f"{root / name}: {', '.join(write_bands(root, name, count, font or ()))}")


@app.command()
def heard(
    count: Annotated[int, typer.Option(min=1, help="Songs with drums, and as many without.")] = 10,
    font: Annotated[
        list[Path] | None, typer.Option(help="A SoundFont for the pitched instruments; may be repeated.")
    ] = None,
) -> None:
    """Made songs: is what is lifted out for a guide more its own instrument than the rest? Beside it: the mix."""
    typer.echo("| set, kind of guide | more its own | the mix as it is | guides |\n|---|---|---|---|")
    for name in FIRST_SEED:
        rows = list(listened(name, count, font or ()))
        groups = {"first guides": [row for row in rows if row.rank == 0]}
        groups |= {kind: [row for row in rows if row.kind == kind] for kind in sorted({row.kind for row in rows})}
        for kind, group in (groups | {"all": rows}).items():
            own, mix = sum(row.own > row.rest for row in group), sum(row.mix_own > row.mix_rest for row in group)
            typer.echo(f"| {name}, {kind} | {own} | {mix} | {len(group)} |")


@app.command()
def nothing() -> None:
    """Made pads, noise and free playing: on how many a guide is claimed where none can be right."""
    typer.echo("| kind | no guide | tracks |\n|---|---|---|")
    for row in silent_rows():
        typer.echo(f"| {row.kind} | {row.silent} | {row.n} |")


@app.command()
def levels(
    font: Annotated[
        list[Path] | None, typer.Option(help="A SoundFont for the pitched instruments; may be repeated.")
    ] = None,
) -> None:
    """Made mixes without drums: in how many the guide's places are right, by its level against the rest."""
    typer.echo("| level, dB | right among the guides | right as the first | mixes |\n|---|---|---|---|")
    for row in level_curve(font or ()):
        typer.echo(f"| {row.level_db:+.0f} | {row.found} | {row.first} | {row.n} |")


@app.command()
def swing() -> None:
    """Made shuffles: how near the swing ratio comes to the truth, by tempo."""
    rows = list(swing_curve())
    typer.echo("| bpm | within 0.15 | of | worst, true ratio | found |\n|---|---|---|---|---|")
    for bpm in dict.fromkeys(row.bpm for row in rows):
        here = [row for row in rows if row.bpm == bpm]
        near = sum(abs(row.found - row.ratio) <= 0.15 for row in here)
        worst = max(here, key=lambda row: abs(row.found - row.ratio))
        typer.echo(f"| {bpm:.0f} | {near} | {len(here)} | {worst.ratio:.2f} | {worst.found:.2f} |")
    typer.echo(f"within 0.15 of the truth: {sum(abs(r.found - r.ratio) <= 0.15 for r in rows)} of {len(rows)}")


@app.command()
def ablate(
    sets: Annotated[list[str], typer.Argument(metavar="SET...", help="Names of sets, each a folder below --root.")],
    root: Annotated[Path, typer.Option(help="Folder that holds the sets.")],
) -> None:
    """What each kind of the decoder's evidence is worth, real and rendered sets apart."""
    tracks = [track for name in dict.fromkeys(sets) for track in load_set(name, root)]
    typer.echo(ablation_table(list(scores(tracks))), nl=False)


@app.command()
def correct(
    sets: Annotated[list[str], typer.Argument(metavar="SET...", help="Names of sets, each a folder below --root.")],
    root: Annotated[Path, typer.Option(help="Folder that holds the sets.")],
    seed: Annotated[int, typer.Option(help="Draws how far off times are pressed.")] = 1,
) -> None:
    """A simulated person corrects the first wrong thing, one at a time: after how many is a track right?"""
    tracks = [track for name in dict.fromkeys(sets) for track in load_set(name, root)]
    typer.echo(course_table(list(corrected(tracks, seed))), nl=False)


@app.command()
def hint(
    sets: Annotated[list[str], typer.Argument(metavar="SET...", help="Names of sets, each a folder below --root.")],
    root: Annotated[Path, typer.Option(help="Folder that holds the sets.")],
    seed: Annotated[int, typer.Option(help="Draws the hints.")] = 1,
) -> None:
    """One hint at a true 1, up to 150 ms off: the 1s against the beats; and what becomes of wrong hints."""
    tracks = [track for name in dict.fromkeys(sets) for track in load_set(name, root)]
    typer.echo(hint_table(list(hinted(tracks, seed))), nl=False)


for command in (
    take,
    take_band,
    take_songs,
    take_strokes,
    take_fit,
    campaign,
    fuzz,
    interrupts,
    mutants,
    licences,
    moments,
    page,
    picture,
    room,
    room_first,
    room_songs,
    room_speed,
    same,
):
    app.command()(command)
app.add_typer(train, name="train")
app.add_typer(reader, name="reader")


def main() -> None:
    """Run the command line; bad input is one line on standard error and exit code 2."""
    # What is stored is whole, and the process that answers goes too.
    stop_in_order("eval")
    try:
        app()
    except PulsefindError as error:
        print(f"eval: {error}", file=sys.stderr)
        raise SystemExit(2) from None
