"""From a run's state to the weights file that pulsefind reads."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch

from eval.train.aims import Aim
from eval.train.ingredients import fingerprint, load, own_sounds_only
from eval.train.model import OUTPUTS, folded
from eval.train.songs import SongMaker


def recipe_fingerprint(ingredients: Path | None, aim: Aim) -> str:
    """A digest of the ingredients and of fifty songs' notes and truth: equal recipes have equal ones."""
    maker = SongMaker(replace(load(ingredients), soundfonts=()) if ingredients else own_sounds_only(), aim=aim)
    digest = hashlib.sha256((fingerprint(ingredients) if ingredients else "own sounds").encode())
    for seed in range(50):
        song = maker.play(np.random.default_rng(seed))
        for table in (song.beats, song.drums, *(part.notes for part in song.parts)):
            digest.update(np.round(table * 1000).astype(np.int64).tobytes())
    return digest.hexdigest()[:16]


def export(run: Path, target: Path, ingredients: Path | None, aim: Aim) -> None:
    """Fold run/state.npz into float16 arrays with what is needed to use them."""
    with np.load(run / "state.npz", allow_pickle=False) as stored:
        arrays = folded({k: torch.from_numpy(stored[k]) for k in stored.files}, aim.dilations)
    for name in ("exit.weight", "exit.bias"):
        # The heads of tempo and meter serve training alone.
        arrays[name] = arrays[name][: len(OUTPUTS)]
    meta = {"dilations": aim.dilations, "outputs": OUTPUTS, "recipe": recipe_fingerprint(ingredients, aim)}
    halved = {name: value.astype(np.float16) for name, value in arrays.items()}
    np.savez(target, allow_pickle=False, meta=np.array(json.dumps(meta)), **halved)
