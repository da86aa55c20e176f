"""Whole songs in styles that no network was taught, as a set: `python -m eval reader unheard INGREDIENTS`.

The networks learnt from other styles of the same form, played on the same instruments; so the set asks about rhythms
that are new to them, and not about sounds. No human drummer's grooves go in: those were taught.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from eval.reader.songs import WholeSong, WholeSongMaker
from eval.reader.styles_unheard import UNHEARD_STYLES
from eval.store import whole_file, write_text
from eval.train.ingredients import RATE_HZ, Ingredients

SET_NAME = "unheard"
FIRST_SEED = 5_000_000_000
"""Above all seeds of training and of `train choose`."""


def write_set(ingredients: Ingredients, root: Path, count: int) -> Iterator[str]:
    """Make so many songs of every style and tell the name of each as it is written."""
    folder = root / SET_NAME
    for name in ("audio", "beats"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    maker = WholeSongMaker(replace(ingredients, grooves=()), None, (0.0, 0.0))
    for k in range(count):
        for number, style in enumerate(UNHEARD_STYLES):
            song = maker.make(FIRST_SEED + 1000 * k + number, style)
            name = f"{style.name}_{k:02d}"
            _write(song, folder, name)
            yield name


def _write(song: WholeSong, folder: Path, name: str) -> None:
    level = np.float32(0.9) / max(float(np.abs(song.samples).max()), 1e-6)
    with whole_file(folder / "audio" / f"{name}.flac") as path:
        soundfile.write(path, song.samples * level, RATE_HZ, format="FLAC")
    rows = "".join(f"{time_s:.4f}\t{count:.0f}\n" for time_s, count in song.beats)
    write_text(folder / "beats" / f"{name}.beats", rows)
