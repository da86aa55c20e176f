"""Commands that try to break pulsefind. What they need is imported when one is called: it takes seconds."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Annotated

import typer

Seed = Annotated[int, typer.Option(help="Draws what is tried; the same seed, the same cases.")]
Processes = Annotated[int, typer.Option(min=1, help="How many at once; no more than processors.")]


def fuzz(
    count: Annotated[int, typer.Option(min=1, help="How many cases.")] = 20000,
    seed: Seed = 1,
    first: Annotated[int, typer.Option(min=0, help="Number of the first case.")] = 0,
    processes: Processes = 1,
    keep: Annotated[Path, typer.Option(help="Folder for what led to a fault.")] = Path("build/fuzz"),
    only: Annotated[int | None, typer.Option(help="Run this one case and show its details.")] = None,
) -> None:
    """Damaged files and odd hints: each must be answered, or refused in one line. Exit code 1 if one was not."""
    from eval.robustness.fuzz import run, summary

    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if only is not None:
        first, count = only, 1
    outcomes = run(seed, count, first, processes, keep)
    print(summary(outcomes))
    if only is not None:
        print(outcomes[0].details)
    if any(one.fault for one in outcomes):
        raise typer.Exit(1)


def campaign(
    count: Annotated[int, typer.Option(min=1, help="How many commands.")] = 20000,
    seed: Seed = 1,
    first: Annotated[int, typer.Option(min=0, help="Number of the first sequence.")] = 0,
    processes: Processes = 1,
    minutes: Annotated[float, typer.Option(min=0.0, help="No sequence begins later.")] = 600.0,
) -> None:
    """Sequences of commands on files built from their grammar, as an ordinary user. Exit code 1 for a fault."""
    from eval.robustness.campaign import run, summary

    signal.signal(signal.SIGTERM, signal.default_int_handler)
    told = run(seed, count, first, processes, until_s=60 * minutes)
    print(summary(told))
    if told.faults:
        raise typer.Exit(1)


def interrupts(
    count: Annotated[int, typer.Option(min=1, help="How many runs.")] = 200,
    first: Annotated[int, typer.Option(min=0, help="Go on from this one of them, counted from 0.")] = 0,
    seed: Seed = 1,
    processes: Processes = 1,
    only: Annotated[list[str] | None, typer.Option(help="Break off this command only; may be repeated.")] = None,
    kills: Annotated[bool, typer.Option("--kills", help="By SIGKILL only.")] = False,
    minutes: Annotated[float, typer.Option(min=0.0, help="No run begins later.")] = 600.0,
) -> None:
    """Runs broken off at seeded moments: what is there afterwards is whole, and nothing is left after the next run."""
    from eval.robustness.interrupts import SIGNALS, run
    from eval.robustness.jobs import JOBS

    names = [job.name for job in JOBS]
    if unknown := set(only or ()) - set(names):
        raise typer.BadParameter(f"{min(unknown)}: choose from {', '.join(names)}")
    jobs = tuple(job for job in JOBS if only is None or job.name in only)
    signals = (signal.SIGKILL,) if kills else SIGNALS
    wrong = run(count, seed, jobs, processes, first, signals, until_s=60 * minutes)
    print("\n".join(wrong) if wrong else "nothing wrong")
    if wrong:
        raise typer.Exit(1)


def mutants(
    name: Annotated[str, typer.Argument(help="A file below pulsefind/, like beats/grid.")],
    tests: Annotated[
        list[Path] | None,
        typer.Option(help="Its tests, the quick ones first; may be repeated."),
    ] = None,
    count: Annotated[int, typer.Option(min=1, help="How many changes.")] = 20,
    first: Annotated[int, typer.Option(min=0, help="Go on from this one of them, counted from 0.")] = 0,
    seed: Seed = 1,
) -> None:
    """Small changes to the code, one at a time: do the tests notice?"""
    from eval.robustness.mutants import lines

    files = [str(path) for path in tests or [Path(f"tests/test_{name.rpartition('/')[2]}.py")]]
    for line in lines(name, files, count, seed, first):
        print(line, flush=True)


def same(
    sets: Annotated[list[str], typer.Argument(metavar="SET...", help="Names of sets, each a folder below --root.")],
    root: Annotated[Path, typer.Option(help="Folder that holds the sets.")],
) -> None:
    """Recordings louder, turned over, at other rates, coded, or later: how many keep beats, 1 and first guide."""
    from eval.robustness.sameness import same_table, sameness
    from eval.sets.loaders import load_set

    tracks = [track for name in dict.fromkeys(sets) for track in load_set(name, root)]
    print(same_table(sameness(tracks)), end="")


def licences(
    write: Annotated[bool, typer.Option("--write", help="Put the table into eval/robustness/LICENCES.md.")] = False,
) -> None:
    """What the installed packages that pulsefind needs say of their licences."""
    from eval.robustness.licences import DOCUMENT, declared, needed, table, with_table

    rows = table(needed(declared()))
    if write:
        DOCUMENT.write_text(with_table(DOCUMENT.read_text(encoding="utf-8"), rows), encoding="utf-8")
    else:
        print(rows, end="")


def moments(folder: Annotated[Path, typer.Argument(help="Where the pictures go.")]) -> None:
    """Pictures of every moment of the page at five sizes, dark and bright, to be looked at. Exit code 1 for a fault."""
    from eval.robustness.moments import moments as drawn

    faults = 0
    for fault in drawn(folder):
        print(fault, flush=True)
        faults += 1
    if faults:
        raise typer.Exit(1)


def picture() -> None:
    """The picture of README.md, made anew in Chromium."""
    from eval.robustness.picture import take_picture

    print(take_picture())


def page(
    minutes: Annotated[float, typer.Option(min=0.1, help="Length of the track.")] = 10.0,
    times: Annotated[int, typer.Option(min=1, help="How often each measurement is made.")] = 5,
    page: Annotated[Path | None, typer.Option(help="Measure this page instead of making one.")] = None,
) -> None:
    """The page of a long track in Chromium: opening, scrolling, playing, memory. Exit code 1 beyond a limit."""
    from eval.robustness.long_page import measured

    if measured(minutes, times, page):
        raise typer.Exit(1)


def room(
    hours: Annotated[float, typer.Option(min=0.01, help="Length of the long one of the thirty files.")] = 3.0,
    folder: Annotated[Path | None, typer.Option(help="Where there is space for it: 2 GB for three hours.")] = None,
) -> None:
    """Thirty files at once in the room, the browser closed and opened meanwhile. Exit code 1 if anything is wrong."""
    from eval.robustness.thirty import evening

    lines = evening(hours, folder)
    print("\n".join(lines))
    if any(line.startswith("WRONG") for line in lines):
        raise typer.Exit(1)


def room_songs(
    songs: Annotated[list[str], typer.Argument(metavar="SET/ID...", help="Annotated recordings.")],
    root: Annotated[Path, typer.Option(help="Folder that holds the sets.")],
) -> None:
    """Real songs through the room in a browser, and the same by command. Exit code 1 if anything is wrong."""
    from eval.robustness.public_songs import named, through_the_room

    lines = through_the_room(named(root, songs))
    print("\n".join(lines))
    if any(line.startswith("WRONG") for line in lines):
        raise typer.Exit(1)


def room_first(
    shots: Annotated[Path | None, typer.Option(help="Folder for pictures at four sizes, dark and bright.")] = None,
) -> None:
    """A first time in the room: the command, the demo song, clicking along, with the clock beside it."""
    from eval.robustness.first_time import first_time

    print("\n".join(first_time(shots)))


def room_speed(
    times: Annotated[int, typer.Option(min=1, help="How often the first page is timed.")] = 3,
) -> None:
    """The room's first page beside `find`, and its answers while two analyses run. Exit code 1 beyond a limit."""
    from eval.robustness.room_speed import room_speed as measured

    lines = measured(times)
    print("\n".join(lines))
    if any(line.startswith("WRONG") for line in lines):
        raise typer.Exit(1)
