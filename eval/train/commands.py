"""Commands that make networks. Each imports what it needs when it is called; most need PyTorch (extra `train`)."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(no_args_is_help=True, help="Gather ingredients, make songs, train a network, export and measure it.")

IngredientsArgument = Annotated[Path, typer.Argument(help="What `prepare` wrote.")]
WeightsArgument = Annotated[Path, typer.Argument(help="A weights file.")]


class Aim(StrEnum):
    """What a network is for (aims.py)."""

    pulse = "pulse"
    kit = "kit"


@app.command()
def prepare(
    folder: Annotated[Path, typer.Argument(help="Where the ingredients are put.")],
    fonts: Annotated[list[Path], typer.Option(help="A SoundFont file; may be repeated.")],
    shots: Annotated[Path, typer.Option(help="Folder of sonic-pi's samples.")],
    grooves: Annotated[Path, typer.Option(help="Folder of the Groove MIDI Dataset.")],
    songs: Annotated[Path, typer.Option(help="Folder of POP909's songs.")],
) -> None:
    """Gather the ingredients into one folder."""
    from eval.train.ingredients import fingerprint
    from eval.train.ingredients import prepare as gather

    gather(folder, fonts, shots, grooves, songs)
    print(fingerprint(folder))


@app.command()
def run(
    out: Annotated[Path, typer.Option(help="Folder of the run.")],
    folder: Annotated[Path | None, typer.Argument(help="What `prepare` wrote; without it our own sounds only.")] = None,
    resume: Annotated[Path | None, typer.Option(help="state.npz of an earlier run.")] = None,
    aim: Annotated[Aim, typer.Option(help="What the network is for.")] = Aim.pulse,
    without: Annotated[list[str] | None, typer.Option(help="Leave a part of the recipe out; may be repeated.")] = None,
    seconds: Annotated[float | None, typer.Option(help="How long it learns.")] = None,
    rate: Annotated[float | None, typer.Option(help="Learning rate.")] = None,
    pool: Annotated[int | None, typer.Option(help="Songs kept at once.")] = None,
    first: Annotated[int | None, typer.Option(help="Songs made before learning begins.")] = None,
    makers: Annotated[int | None, typer.Option(help="Processes that make songs.")] = None,
    batch: Annotated[int | None, typer.Option(help="Excerpts a step.")] = None,
    seed: Annotated[int | None, typer.Option(help="Draws the songs.")] = None,
    steps: Annotated[int | None, typer.Option(help="Most steps.")] = None,
    excerpts: Annotated[Path | None, typer.Option(help="What `gather` wrote.")] = None,
    recordings: Annotated[float | None, typer.Option(help="Share of excerpts out of recordings.")] = None,
    anchor: Annotated[float | None, typer.Option(help="How much made songs keep of what was known before.")] = None,
    pictures: Annotated[int | None, typer.Option(help="Channels of the front.")] = None,
    width: Annotated[int | None, typer.Option(help="Channels of the body.")] = None,
) -> None:
    """Make songs, train, export."""
    from dataclasses import replace

    from eval.train.aims import AIMS
    from eval.train.exporting import export
    from eval.train.songs import PARTS
    from eval.train.training import Plan, train

    if unknown := set(without or ()) - set(PARTS):
        raise typer.BadParameter(f"--without {min(unknown)}: choose from {', '.join(PARTS)}")
    numbers = {
        "seconds": seconds,
        "rate": rate,
        "pool": pool,
        "first": first,
        "makers": makers,
        "batch": batch,
        "seed": seed,
        "steps": steps,
        "recordings": recordings,
        "anchor": anchor,
        "pictures": pictures,
        "width": width,
    }
    told = {name: value for name, value in numbers.items() if value is not None}
    plan = replace(Plan(), aim=aim.value, without=frozenset(without or ()), **told)  # type: ignore[arg-type]
    train(folder, plan, out, resume, excerpts)
    export(out, out / f"{aim.value}.npz", folder, AIMS[aim.value])


@app.command()
def gather(
    folders: Annotated[list[Path], typer.Argument(help="Folders of recordings nobody annotated.")],
    out: Annotated[Path, typer.Option(help="Where excerpts and their beats are put.")],
) -> None:
    """Take excerpts of recordings whose whole says surely how they are counted."""
    from eval.train.recordings import gather as take

    for line in take(folders, out):
        print(line, flush=True)


@app.command()
def choose(
    ingredients: IngredientsArgument,
    songs: Annotated[Path, typer.Argument(help="Folder of POP909's songs.")],
    weights: Annotated[list[Path], typer.Argument(help="Weights files.")],
    count: Annotated[int, typer.Option(min=1, help="Songs a set.")] = 40,
) -> None:
    """Score weights on held-out songs rendered with new seeds: the choice that no test recording sees."""
    from eval.train.choosing import lines

    for line in lines(ingredients, songs, weights, count):
        print(line, flush=True)


@app.command()
def measure(
    weights: WeightsArgument,
    data: Annotated[Path, typer.Argument(help="Folder of the sets.")],
    activations: Annotated[Path | None, typer.Option(help="Folder of stored activations to decode instead.")] = None,
    sets: Annotated[list[str] | None, typer.Option(help="A set; may be repeated.")] = None,
    each: Annotated[bool, typer.Option("--each", help="A line for every recording, too.")] = False,
) -> None:
    """Score weights on annotated recordings, through one and the same stock decoder."""
    from eval.train.measuring import SETS, lines

    for line in lines(weights, data, activations, sets or SETS, each):
        print(line, flush=True)


@app.command()
def unfold(
    weights: WeightsArgument,
    ingredients: IngredientsArgument,
    out: Annotated[Path, typer.Argument(help="The state to write, an .npz file.")],
) -> None:
    """Make exported weights a state that training can go on from."""
    from eval.train.unfolding import write_state

    write_state(weights, ingredients, out)


@app.command()
def take_prepare(
    folder: Annotated[Path, typer.Argument(help="Where the ingredients of takes are put.")],
    fonts: Annotated[list[Path], typer.Option(help="A SoundFont file; may be repeated.")],
    shots: Annotated[Path, typer.Option(help="Folder of sonic-pi's samples.")],
    grooves: Annotated[Path, typer.Option(help="Folder of the Groove MIDI Dataset.")],
) -> None:
    """Gather what takes are made from: drum sounds and human drumming."""
    from eval.train.ingredients import fingerprint
    from eval.train.take_ingredients import prepare as gather

    gather(folder, fonts, shots, grooves)
    print(fingerprint(folder))


@app.command()
def take_run(
    folder: Annotated[Path, typer.Argument(help="What `take-prepare` wrote.")],
    out: Annotated[Path, typer.Option(help="Folder of the run.")],
    resume: Annotated[Path | None, typer.Option(help="state.npz of an earlier run.")] = None,
    seconds: Annotated[float | None, typer.Option(help="How long it learns.")] = None,
    rate: Annotated[float | None, typer.Option(help="Learning rate.")] = None,
    seed: Annotated[int | None, typer.Option(help="Draws the takes.")] = None,
    makers: Annotated[int | None, typer.Option(help="Processes that make takes.")] = None,
    pictures: Annotated[int | None, typer.Option(help="Channels of the front.")] = None,
    width: Annotated[int | None, typer.Option(help="Channels of the body.")] = None,
) -> None:
    """Make takes, train the network that hears strokes in them, export it."""
    from dataclasses import replace

    from eval.train.take_training import TakePlan, export, train

    numbers = {"seconds": seconds, "rate": rate, "seed": seed, "makers": makers, "pictures": pictures, "width": width}
    told = {name: value for name, value in numbers.items() if value is not None}
    train(folder, replace(TakePlan(), **told), out, resume)  # type: ignore[arg-type]
    export(out, out / "take.npz", folder)
