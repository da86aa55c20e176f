"""One command: `python -m eval.train FOLDER --fonts ... --out DIR` gathers, makes songs, trains and exports."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from eval.train.aims import AIMS
from eval.train.exporting import export
from eval.train.ingredients import fingerprint, prepare
from eval.train.songs import PARTS
from eval.train.training import Plan, train


def main() -> None:
    """Run the steps that are asked for."""
    parser = argparse.ArgumentParser(prog="python -m eval.train", description=__doc__)
    steps = parser.add_subparsers(dest="step", required=True)
    gather = steps.add_parser("prepare", help="gather the ingredients into one folder")
    gather.add_argument("folder", type=Path)
    gather.add_argument("--fonts", type=Path, nargs="+", required=True, help="SoundFont files")
    gather.add_argument("--shots", type=Path, required=True, help="folder of sonic-pi's samples")
    gather.add_argument("--grooves", type=Path, required=True, help="folder of the Groove MIDI Dataset")
    gather.add_argument("--songs", type=Path, required=True, help="folder of POP909's songs")
    run = steps.add_parser("run", help="make songs, train, export")
    run.add_argument("folder", type=Path, nargs="?", help="what prepare wrote; without it only our own sounds are used")
    run.add_argument("--out", type=Path, required=True)
    run.add_argument("--resume", type=Path, help="state.npz of an earlier run")
    for name in ("seconds", "rate"):
        run.add_argument(f"--{name}", type=float, default=getattr(Plan(), name))
    for name in ("pool", "first", "makers", "batch", "seed", "steps", "pictures", "width"):
        run.add_argument(f"--{name}", type=int, default=getattr(Plan(), name))
    run.add_argument("--aim", choices=AIMS, default=Plan().aim, help="what the network is for")
    run.add_argument("--without", nargs="+", default=[], choices=PARTS, help="leave parts of the recipe out")
    given = parser.parse_args()
    if given.step == "prepare":
        prepare(given.folder, given.fonts, given.shots, given.grooves, given.songs)
        print(fingerprint(given.folder))
        return
    names = ("seconds", "rate", "pool", "first", "makers", "batch", "seed", "steps", "pictures", "width", "aim")
    plan = replace(Plan(), without=frozenset(given.without), **{name: getattr(given, name) for name in names})
    train(given.folder, plan, given.out, given.resume)
    export(given.out, given.out / f"{given.aim}.npz", given.folder, AIMS[given.aim])


if __name__ == "__main__":
    main()
