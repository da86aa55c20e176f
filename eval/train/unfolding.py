"""Exported weights turned back into a state from which training can continue.

`python -m eval train unfold WEIGHTS INGREDIENTS OUT`. Export folds each normalisation into the convolution before
it. Here it is put back so that it changes nothing: its statistics are those of the convolution's outputs for songs of
the recipe, and its scale and shift undo them. Heads left out of the export start afresh.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from eval.train.aims import AIMS
from eval.train.ingredients import load
from eval.train.mixing import Mixer, Pool
from eval.train.model import PulseNetwork
from eval.train.songs import SongMaker
from pulsefind.listen.network import Weights, read_weights

_SEED = 5_000_000_000
_SONGS, _BATCHES, _BATCH, _EXCERPT_S = 24, 4, 8, 30.0
_LEAST_VARIANCE = 1e-6


def unfolded(weights: Weights, pictures: Iterable[Tensor]) -> PulseNetwork:
    """A network that computes what the weights do; the pictures (batch, windows, frames, bands) give the statistics."""
    arrays = weights.arrays
    network = PulseNetwork(len(arrays["picture0.bias"]), len(arrays["entry.bias"]), weights.dilations)
    network.eval()
    with torch.no_grad():
        for name, module in network.named_modules():
            if isinstance(module, nn.Conv1d | nn.Conv2d):
                _fill(module, *_stored(arrays, name))
    norms = [m for m in network.modules() if isinstance(m, nn.BatchNorm1d | nn.BatchNorm2d)]
    for norm in norms:
        _pass_through(norm)
    _take_statistics(network, norms, pictures)
    return network


def _stored(arrays: dict[str, np.ndarray], name: str) -> tuple[np.ndarray, np.ndarray]:
    """Weight and bias under the name that a layer has in the exported file."""
    first, _, rest = name.partition(".")
    kind = {"pictures": "picture", "dilated": "dilated", "mixes": "mix"}.get(first, first)
    exported = kind + rest.removesuffix(".conv")
    return arrays[f"{exported}.weight"], arrays[f"{exported}.bias"]


def _fill(module: nn.Conv1d | nn.Conv2d, weight: np.ndarray, bias: np.ndarray) -> None:
    shape = module.weight.shape[1:]
    module.weight[: len(bias)] = torch.from_numpy(weight.reshape(len(bias), *shape))
    assert module.bias is not None
    module.bias[: len(bias)] = torch.from_numpy(bias)


def _pass_through(norm: nn.BatchNorm1d | nn.BatchNorm2d) -> None:
    assert norm.running_mean is not None
    assert norm.running_var is not None
    norm.running_mean.zero_()
    norm.running_var.fill_(1 - norm.eps)


def _take_statistics(
    network: PulseNetwork, norms: list[nn.BatchNorm1d | nn.BatchNorm2d], pictures: Iterable[Tensor]
) -> None:
    """Normalise by what each layer gives for the pictures, and undo it by scale and shift."""
    seen: dict[nn.Module, list[Tensor]] = {norm: [] for norm in norms}

    def look(module: nn.Module, inputs: tuple[Tensor, ...], _: Tensor) -> None:
        values = inputs[0].transpose(0, 1).flatten(1)
        seen[module].append(torch.stack([values.mean(1), (values * values).mean(1)]))

    hooks = [norm.register_forward_hook(look) for norm in norms]
    with torch.no_grad():
        for picture in pictures:
            network(picture)
        for norm in norms:
            mean, square = torch.stack(seen[norm]).mean(0)
            variance = (square - mean * mean).clamp(min=_LEAST_VARIANCE)
            assert norm.running_mean is not None
            assert norm.running_var is not None
            norm.running_mean.copy_(mean)
            norm.running_var.copy_(variance)
            norm.weight.copy_(torch.sqrt(variance + norm.eps))
            norm.bias.copy_(mean)
    for hook in hooks:
        hook.remove()


def _pictures(ingredients: Path) -> Iterable[Tensor]:
    """What the network hears of songs of the recipe that no run has heard."""
    maker, pool, seed = SongMaker(load(ingredients)), Pool(_SONGS, 0, "cpu"), _SEED
    while pool.count < _SONGS:
        song = maker.make(seed)
        seed += 1
        if len(song.beats) >= 12:
            pool.add(song)
    mixer = Mixer(pool, _EXCERPT_S, limited=True, drums_db=AIMS["pulse"].drums_db)
    for _ in range(_BATCHES):
        yield mixer.batch(torch.randint(0, _SONGS, (_BATCH,)), varied=True)[0]


def write_state(weights: Path, ingredients: Path, out: Path) -> None:
    """Write the state from which training continues."""
    torch.manual_seed(0)
    network = unfolded(read_weights(weights), _pictures(ingredients))
    np.savez(out, allow_pickle=False, **{k: v.numpy() for k, v in network.state_dict().items()})
