"""Commands that measure the review of takes. What they need is imported when one is called: it takes seconds."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

FAULTS_SEED = 9000
"""Some of the review's limits were set after faults of these seeds had been seen: measure on others as well."""

SONGS_SEED = 20000
"""Made songs of seeds below 21000 were looked at while the review's limits were set: measure on others."""


class Part(StrEnum):
    """What is measured of the review; `example` prints the one in the README."""

    sim = "sim"
    even = "even"
    align = "align"
    groove = "groove"
    audio = "audio"
    unheard = "unheard"
    faults = "faults"
    hour = "hour"
    example = "example"


class Fitted(StrEnum):
    """What is fitted: strokes and kinds by their rises, or how likely a doubtful stroke was played."""

    strokes = "strokes"
    doubt = "doubt"


def take(
    parts: Annotated[list[Part] | None, typer.Argument(help="Which parts; all measurements if none is named.")] = None,
    takes: Annotated[
        int, typer.Option(min=0, help="How many takes (of hour: minutes) a part uses, if not its own.")
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, help="First seed of the players with faults.")] = FAULTS_SEED,
) -> None:
    """The review of takes against simulated players and human performances."""
    from eval.take import aligning, groove, simulated
    from eval.take.faults import faults
    from eval.take.hour import hour

    known = {
        Part.sim: simulated.simulated,
        Part.even: simulated.even_or_jump,
        Part.align: aligning.alignment,
        Part.groove: groove.groove,
        Part.audio: groove.groove_audio,
        Part.unheard: groove.groove_unheard,
        Part.faults: lambda n: faults(n, seed),
        Part.hour: hour,
        Part.example: simulated.example,
    }
    for part in parts or [part for part in known if part is not Part.example]:
        print(known[part](takes), flush=True)


def take_band(
    root: Annotated[Path, typer.Option(help="Folder that holds both sets.")],
    takes: Annotated[str, typer.Option(help="Set of the takes.")] = "band_takes",
    tracks: Annotated[str, typer.Option(help="Set of the tracks, of the same names.")] = "band_drumless",
    change: Annotated[list[str] | None, typer.Option(help="Only these changes of the takes; may be repeated.")] = None,
    strange: Annotated[bool, typer.Option("--strangers", help="Every take on every other song instead.")] = False,
    kept: Annotated[Path | None, typer.Option(help="Folder in which the tracks' analyses are kept.")] = None,
) -> None:
    """Takes of real players laid on their recordings without a hint: how many starts are right, and how many wrong."""
    from eval.take.band import CHANGES, laid, listed, strangers, summary

    folders = root / takes, root / tracks
    rows = list(strangers(*folders, kept) if strange else laid(*folders, kept, change or tuple(CHANGES)))
    print(listed(rows) if strange else summary(rows) + "\n" + listed(rows), end="")


def take_songs(
    root: Annotated[Path, typer.Option(help="Folder in which the three sets are made.")],
    count: Annotated[int, typer.Option(min=1, help="Songs.")] = 30,
    seed: Annotated[int, typer.Option(min=0, help="First seed of the songs.")] = SONGS_SEED,
    font: Annotated[list[Path] | None, typer.Option(help="A SoundFont for the instruments; may be repeated.")] = None,
    grooves: Annotated[Path | None, typer.Option(help="Folder of human drumming on a grid (Groove MIDI).")] = None,
) -> None:
    """Make sets for take-band and take-strokes: songs of a full band, the drums as takes, all else as tracks."""
    from eval.take.made import SONGS, TAKES, TRACKS, write_takes

    names = write_takes(root, count, seed, font or (), grooves)
    print(f"{root}: --takes {TAKES} --tracks {TRACKS} --songs {SONGS}: {', '.join(names)}")


def take_strokes(
    root: Annotated[Path, typer.Option(help="Folder that holds both sets.")],
    takes: Annotated[str, typer.Option(help="Set of the takes.")] = "band_takes",
    songs: Annotated[str, typer.Option(help="Set with their drums' annotations, of the same names.")] = "band",
) -> None:
    """Strokes found in takes of real players against the annotations of their drums: F and mean offset by kind."""
    from eval.take.struck import struck, struck_table

    print(struck_table(list(struck(root / takes, root / songs))), end="")


def take_fit(
    what: Annotated[Fitted, typer.Argument(help="Which weights.")] = Fitted.strokes,
    font: Annotated[Path | None, typer.Option(help="A SoundFont with General MIDI drum kits, as well.")] = None,
    takes: Annotated[
        int, typer.Option(min=3, help="Performances to fit to; two thirds as many (of doubt: half) are held out.")
    ] = 24,
) -> None:
    """Fit the weights of strokes and kinds, or of doubt, to human performances; print them as the code writes them."""
    from eval.take import fitting, fitting_doubt
    from eval.take.groove import groove_folder
    from pulsefind.core.errors import PulsefindError

    if groove_folder() is None:
        raise PulsefindError("no folder groove_midi in PULSEFIND_DATA or ../shared/data")
    {Fitted.strokes: fitting.fit, Fitted.doubt: fitting_doubt.fit}[what](font, takes)
