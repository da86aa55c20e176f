"""From a run's state to the weights file that pulsefind reads."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import torch

from eval.train.ingredients import fingerprint
from eval.train.model import DILATIONS, OUTPUTS, folded


def recipe_fingerprint(ingredients: Path | None) -> str:
    """A digest of the code that makes and mixes songs and of the ingredients: equal recipes have equal ones."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    digest.update((fingerprint(ingredients) if ingredients else "own sounds").encode())
    return digest.hexdigest()[:16]


def export(run: Path, target: Path, ingredients: Path | None) -> None:
    """Fold run/state.npz into float16 arrays with what is needed to use them."""
    with np.load(run / "state.npz", allow_pickle=False) as stored:
        arrays = folded({k: torch.from_numpy(stored[k]) for k in stored.files}, DILATIONS)
    meta = {"dilations": DILATIONS, "outputs": OUTPUTS, "recipe": recipe_fingerprint(ingredients)}
    halved = {name: value.astype(np.float16) for name, value in arrays.items()}
    np.savez(target, allow_pickle=False, meta=np.array(json.dumps(meta)), **halved)
