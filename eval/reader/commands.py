"""`python -m eval reader make` and `... learn`: how the reader's weights came about."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from eval.reader.storing import store, stored
from eval.reader.training import Plan, learn
from eval.reader.training import make as make_songs
from eval.reader.unheard import write_set
from eval.train.ingredients import load

app = typer.Typer(no_args_is_help=True, help="Teach the reader of bars.")


@app.command()
def make(
    ingredients: Annotated[Path, typer.Argument(help="What `train prepare` wrote.")],
    counts: Annotated[Path, typer.Argument(help="patterns.json.gz of the training material.")],
    songs: Annotated[Path, typer.Argument(help="Folder for what was heard of the songs.")],
    make_s: Annotated[float, typer.Option(help="How long songs are made.")] = Plan().make_s,
    makers: Annotated[int, typer.Option(help="Processes.")] = Plan().makers,
    seed: Annotated[int, typer.Option(help="The first song's seed is ten million times this.")] = Plan().seed,
) -> None:
    """Make whole songs and keep what pulsefind hears of them."""
    store(make_songs(ingredients, counts, Plan(make_s=make_s, makers=makers, seed=seed)), songs)


@app.command(name="learn")
def learn_(
    songs: Annotated[Path, typer.Argument(help="What `reader make` wrote.")],
    out: Annotated[Path, typer.Option(help="Folder for reader.npz, run.json and held.json.")],
    learn_s: Annotated[float, typer.Option(help="How long is learnt.")] = Plan().learn_s,
    seed: Annotated[int, typer.Option(help="Of the weights to begin with, and of what is drawn.")] = Plan().seed,
    width: Annotated[int, typer.Option(help="Channels.")] = Plan().width,
    without: Annotated[list[int] | None, typer.Option(help="Numbers of input groups to leave out.")] = None,
) -> None:
    """Learn from them."""
    learn(stored(songs), Plan(learn_s=learn_s, seed=seed, width=width, without=tuple(without or ())), out)


@app.command()
def unheard(
    ingredients: Annotated[Path, typer.Argument(help="What `train prepare` wrote.")],
    root: Annotated[Path, typer.Option(help="Folder in which the set is made.")],
    count: Annotated[int, typer.Option(min=1, help="Songs of each style.")] = 8,
) -> None:
    """Make the set "unheard": whole songs in styles that no network was taught."""
    for name in write_set(load(ingredients), root, count):
        print(name, flush=True)


@app.command()
def join(
    weights: Annotated[list[Path], typer.Argument(help="reader.npz of several runs.")],
    out: Annotated[Path, typer.Option(help="The file that pulsefind ships.")],
) -> None:
    """Put networks side by side, without the score of readings that only training uses."""
    found = {}
    for number, path in enumerate(weights):
        with np.load(path, allow_pickle=False) as run:
            for name in run.files:
                if name != "meta" and name.split(".")[0] not in ("pool", "hidden", "score"):
                    found[f"{number}.{name}"] = run[name]
    np.savez_compressed(out, allow_pickle=False, **found)
