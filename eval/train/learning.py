"""What all training runs share: the common part of their plans, the learning rate, a step, averages, the state."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

WARM_UP_STEPS = 200
"""Steps over which the rate rises from zero (judged)."""

LAST_RATE_SHARE = 0.01
"""The rate at the end, as a share of the highest (judged)."""

LONGEST_MEMORY = 0.998
"""The averaged weights remember some 500 steps (judged)."""


@dataclass(frozen=True, slots=True)
class Learning:
    """rate: the highest, at the end of the warm-up. Songs of different seeds differ."""

    seed: int = 1
    batch: int = 48
    rate: float = 2e-3


def rate_at(highest: float, step: int, done: float) -> float:
    """The learning rate: a warm-up, then half a cosine down to a hundredth; done is the share of the run, 0..1."""
    falling = (1 - LAST_RATE_SHARE) * 0.5 * (1 + math.cos(math.pi * done)) + LAST_RATE_SHARE
    return highest * min(1, (step + 1) / WARM_UP_STEPS) * falling


def take_step(network: Any, optimiser: Any, loss: Any, rate: float) -> None:
    """One step of the optimiser down the loss, gradients clipped to a norm of 1."""
    import torch

    for group in optimiser.param_groups:
        group["lr"] = rate
    optimiser.zero_grad(set_to_none=True)
    loss.backward()
    torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
    optimiser.step()


def average_into(averaged: Iterable[Any], values: Iterable[Any], step: int) -> None:
    """Move running averages towards the weights after so many steps: quickly at first, then slowly."""
    import torch

    keep = min(LONGEST_MEMORY, (1 + step) / (20 + step))
    with torch.no_grad():
        for mean, value in zip(averaged, values, strict=True):
            if mean.dtype.is_floating_point:
                mean.mul_(keep).add_(value, alpha=1 - keep)


def save_state(network: Any, out: Path) -> None:
    """Write the state as arrays to out/state.npz, whole or not at all."""
    out.mkdir(parents=True, exist_ok=True)
    np.savez(out / "new.npz", allow_pickle=False, **{k: v.cpu().numpy() for k, v in network.state_dict().items()})
    (out / "new.npz").replace(out / "state.npz")


def say(began: float, text: str) -> None:
    """A line of the log, with the seconds since the run began."""
    print(f"{time.monotonic() - began:.0f}s {text}", flush=True)
