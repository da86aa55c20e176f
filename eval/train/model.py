"""The pulse network as it is trained, in PyTorch: the same function as pulsefind.network computes."""

from __future__ import annotations

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from numpy.typing import NDArray
from torch import Tensor, nn

from eval.train.aims import DILATIONS
from eval.train.performing import HIT_KINDS
from pulsefind.listen.network import BANDS, HOP, SONG_EAR, WINDOWS, Ear, filter_bank

OUTPUTS = ("beat", "downbeat", *HIT_KINDS)
TEMPO_BPM = np.geomspace(38.0, 272.0, 48)
"""What the tempo head chooses from, each 4.3 % above the one before."""
METERS = (2, 3, 4, 5, 6, 7)
"""What the meter head chooses from, in beats a bar."""
HEADS = (len(OUTPUTS), len(TEMPO_BPM), len(METERS))


class Features(nn.Module):
    """Waveform (batch, n) to spectrograms (batch, windows, frames, bands)."""

    def __init__(self, ear: Ear = SONG_EAR) -> None:
        """Keep windows and banks on the module's device."""
        super().__init__()
        for window in WINDOWS:
            self.register_buffer(f"shape{window}", torch.hann_window(window))
            self.register_buffer(f"bank{window}", torch.from_numpy(filter_bank(window, ear)))

    def forward(self, samples: Tensor) -> Tensor:
        """Compute log10(1 + 1000 x) of the band magnitudes."""
        found = []
        for window in WINDOWS:
            shape, bank = getattr(self, f"shape{window}"), getattr(self, f"bank{window}")
            padded = F.pad(samples, (window // 2, window // 2))
            spectrum = torch.stft(padded, window, HOP, window, shape, center=False, return_complex=True).abs()
            found.append(torch.log10(1 + 1000 * ((spectrum * (2 / shape.sum())).transpose(1, 2) @ bank)))
        return torch.stack(found, 1)


class _Picture(nn.Module):
    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__()
        self.conv = nn.Conv2d(inputs, outputs, 3, padding=1)
        self.norm = nn.BatchNorm2d(outputs)

    def forward(self, x: Tensor) -> Tensor:
        return F.elu(self.norm(self.conv(x)))


class PulseNetwork(nn.Module):
    """Spectrograms to logits (batch, outputs, frames)."""

    def __init__(
        self,
        pictures: int = 32,
        width: int = 112,
        dilations: tuple[int, ...] = DILATIONS,
        drop: float = 0.1,
        outputs: int = sum(HEADS),
    ) -> None:
        """Build the layers; pictures and width are the numbers of channels before and after the bands are gathered."""
        super().__init__()
        self.dilations = dilations
        self.pictures = nn.ModuleList(
            [_Picture(len(WINDOWS), pictures), _Picture(pictures, pictures), _Picture(pictures, pictures)]
        )
        self.drop_picture = nn.Dropout2d(drop)
        self.entry = nn.Conv1d(pictures * (BANDS // 9), width, 1)
        self.dilated = nn.ModuleList([nn.Conv1d(width, width, 5, padding=2 * d, dilation=d) for d in dilations])
        self.norms = nn.ModuleList([nn.BatchNorm1d(width) for _ in dilations])
        self.mixes = nn.ModuleList([nn.Conv1d(width, width, 1) for _ in dilations])
        self.drop = nn.Dropout(drop)
        self.exit = nn.Conv1d(width, outputs, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Run the network: OUTPUTS to go through a logistic function, then tempo and meter, each through a softmax."""
        x = F.max_pool2d(self.pictures[0](x), (1, 3))
        x = F.max_pool2d(self.pictures[1](x), (1, 3))
        x = self.drop_picture(self.pictures[2](x))
        x = F.elu(self.entry(x.permute(0, 1, 3, 2).flatten(1, 2)))
        for conv, norm, mix in zip(self.dilated, self.norms, self.mixes, strict=True):
            x = x + mix(self.drop(F.elu(norm(conv(x)))))
        return self.exit(F.elu(x))


def folded(state: dict[str, Tensor], dilations: tuple[int, ...]) -> dict[str, NDArray[np.float32]]:
    """The arrays of pulsefind.network.Weights: normalisation folded into the convolution before it."""

    def array(name: str) -> NDArray[np.float32]:
        return state[name].detach().float().cpu().numpy()

    def fold(conv: str, norm: str) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        weight, scale = array(f"{conv}.weight"), array(f"{norm}.weight") / np.sqrt(array(f"{norm}.running_var") + 1e-5)
        bias = (array(f"{conv}.bias") - array(f"{norm}.running_mean")) * scale + array(f"{norm}.bias")
        return weight * scale.reshape(-1, *[1] * (weight.ndim - 1)), bias

    found = {}
    for k in range(3):
        found[f"picture{k}.weight"], found[f"picture{k}.bias"] = fold(f"pictures.{k}.conv", f"pictures.{k}.norm")
    found["entry.weight"], found["entry.bias"] = array("entry.weight")[:, :, 0], array("entry.bias")
    for k in range(len(dilations)):
        found[f"dilated{k}.weight"], found[f"dilated{k}.bias"] = fold(f"dilated.{k}", f"norms.{k}")
        found[f"mix{k}.weight"], found[f"mix{k}.bias"] = array(f"mixes.{k}.weight")[:, :, 0], array(f"mixes.{k}.bias")
    found["exit.weight"], found["exit.bias"] = array("exit.weight")[:, :, 0], array("exit.bias")
    return found
