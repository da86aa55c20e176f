"""The reader as it is trained, in PyTorch: the same function as pulsefind.beats.reader computes."""

from __future__ import annotations

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from numpy.typing import NDArray
from torch import Tensor, nn

from pulsefind.beats.beatwise import n_columns
from pulsefind.beats.reader import DILATIONS, PLACES

POOLED = 64


class ReaderNetwork(nn.Module):
    """Rows of beats to the log odds of their places and a score of the reading."""

    def __init__(self, width: int, drop: float = 0.25) -> None:
        """Build the layers; width is the number of channels."""
        super().__init__()
        self.register_buffer("middle", torch.zeros(n_columns()))
        self.register_buffer("spread", torch.ones(n_columns()))
        self.entry = nn.Conv1d(n_columns(), width, 1)
        self.norms = nn.ModuleList([nn.LayerNorm(width) for _ in DILATIONS])
        self.dilated = nn.ModuleList([nn.Conv1d(width, width, 3, padding=d, dilation=d) for d in DILATIONS])
        self.mixes = nn.ModuleList([nn.Conv1d(width, width, 1) for _ in DILATIONS])
        self.drop = nn.Dropout(drop)
        self.exit_norm = nn.LayerNorm(width)
        self.place = nn.Linear(width, len(PLACES))
        self.pool = nn.Linear(width, POOLED)
        self.hidden = nn.Linear(POOLED, POOLED)
        self.score = nn.Linear(POOLED, 1)

    def forward(self, rows: Tensor, known: Tensor) -> tuple[Tensor, Tensor]:
        """rows (b, n, columns), known (b, n) 1 where there is a beat: place logits (b, n, places), scores (b,)."""
        mask = known[:, None]
        x = self.entry(((rows - self.middle) / self.spread).transpose(1, 2)) * mask
        for norm, conv, mix in zip(self.norms, self.dilated, self.mixes, strict=True):
            y = norm(x.transpose(1, 2)).transpose(1, 2) * mask
            x = x + mix(self.drop(F.elu(conv(y)))) * mask
        y = self.exit_norm(x.transpose(1, 2))
        pooled = (F.elu(self.pool(y)) * known[..., None]).sum(1) / known.sum(1, keepdim=True).clamp(min=1)
        score = self.score(F.elu(self.hidden(pooled)))[:, 0]
        return self.place(y), score


def exported(network: ReaderNetwork) -> dict[str, NDArray[np.float32]]:
    """The arrays that pulsefind.beats.reader reads."""

    def array(tensor: Tensor) -> NDArray[np.float32]:
        return tensor.detach().float().cpu().numpy()

    # The standardisation of the rows goes into the first layer.
    entry = array(network.entry.weight)[:, :, 0] / array(network.spread)
    found = {
        "entry.weight": entry,
        "entry.bias": array(network.entry.bias) - entry @ array(network.middle),
        "exit_norm.weight": array(network.exit_norm.weight),
        "exit_norm.bias": array(network.exit_norm.bias),
    }
    for name in ("place", "pool", "hidden", "score"):
        layer = getattr(network, name)
        found |= {f"{name}.weight": array(layer.weight), f"{name}.bias": array(layer.bias)}
    for k, (norm, conv, mix) in enumerate(zip(network.norms, network.dilated, network.mixes, strict=True)):
        found |= {f"norm{k}.weight": array(norm.weight), f"norm{k}.bias": array(norm.bias)}
        found |= {f"dilated{k}.weight": array(conv.weight), f"dilated{k}.bias": array(conv.bias)}
        found |= {f"mix{k}.weight": array(mix.weight)[:, :, 0], f"mix{k}.bias": array(mix.bias)}
    return found
