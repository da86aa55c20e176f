"""Made tracks on which no guide can be right: pads that swell at random, noise, playing without a pulse."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.ingredients import RATE_HZ
from eval.train.sounds import PluckedStrings
from pulsefind import Settings, analyse
from pulsefind.listen.audio import from_samples

Samples = NDArray[np.float64]

LENGTH_S = 30.0
KINDS = {"pads": 4, "noise": 2, "free playing": 4}
"""How many tracks of each kind there are."""

_PITCHES = (40, 45, 48, 52, 55, 57, 60, 64, 67)


@dataclass(frozen=True, slots=True)
class Unfollowable:
    """One track: its kind, and samples at RATE_HZ."""

    kind: str
    samples: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class SilentRow:
    """How many of n tracks of a kind have no guide claimed."""

    kind: str
    silent: int
    n: int


def silent_rows() -> list[SilentRow]:
    """Analyse every track, with our own network; one row a kind."""
    claimed: dict[str, list[int]] = {kind: [] for kind in KINDS}
    for track in tracks():
        analysis = analyse(from_samples(track.samples, RATE_HZ), Settings(network="own", use_cache=False))
        claimed[track.kind].append(len(analysis.guides))
    return [SilentRow(kind, counts.count(0), len(counts)) for kind, counts in claimed.items()]


def tracks() -> Iterator[Unfollowable]:
    """Every track, the same each time."""
    makers = {"pads": _pads, "noise": _noise, "free playing": _free}
    for kind, n_tracks in KINDS.items():
        for seed in range(n_tracks):
            samples = makers[kind](np.random.default_rng(seed))
            yield Unfollowable(kind, np.asarray(0.5 * samples / np.abs(samples).max(), np.float32))


def _pads(rng: Generator) -> Samples:
    """Chords of sines that fade in within half a second to more, and change every 2.2 to 4.2 s."""
    time_s = np.arange(int(LENGTH_S * RATE_HZ)) / RATE_HZ
    total, at_s = np.zeros(len(time_s)), 0.0
    while at_s < LENGTH_S - 1:
        length_s, root_hz = rng.uniform(2.2, 4.2), 110 * 2 ** (rng.integers(0, 12) / 12)
        swell = np.clip((time_s - at_s) / rng.uniform(0.5, 1.2), 0, 1) * np.clip(at_s + length_s + 1 - time_s, 0, 1)
        for ratio in (1, 1.25, 1.5, 2, 3):
            turns = root_hz * ratio * time_s * (1 + rng.normal(0, 0.001)) + rng.random()
            wave = 1 + 0.2 * np.sin(2 * np.pi * rng.uniform(0.1, 0.6) * time_s)
            total += swell * wave * np.sin(2 * np.pi * turns) / ratio
        at_s += length_s
    return total


def _noise(rng: Generator) -> Samples:
    """Coloured noise whose level wanders."""
    n = int(LENGTH_S * RATE_HZ)
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ) + 20
    noise = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) / hz ** rng.uniform(0.2, 0.6), n)
    corners_s = np.arange(0, LENGTH_S + 1.3, 1.3)
    return np.asarray(noise * np.interp(np.arange(n) / RATE_HZ, corners_s, rng.uniform(0.2, 1, len(corners_s))))


def _free(rng: Generator) -> Samples:
    """Single plucked notes whose pace wanders by a quarter from note to note."""
    string, total = PluckedStrings(rng), np.zeros(int(LENGTH_S * RATE_HZ))
    at_s, pace_s = 0.3, rng.uniform(0.35, 0.7)
    while at_s < LENGTH_S - 2:
        tone, first = string.tone(int(rng.choice(_PITCHES)))[: int(1.5 * RATE_HZ)], int(at_s * RATE_HZ)
        total[first : first + len(tone)] += rng.uniform(0.3, 1) * tone[: len(total) - first]
        pace_s = float(np.clip(pace_s * np.exp(rng.normal(0, 0.25)), 0.15, 1.4))
        at_s += pace_s * float(rng.choice([0.5, 1, 1, 1.5, 2]))
    return total
