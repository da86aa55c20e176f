"""Other hats and hand-held percussion than a style's book has: what a kit network must tell apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.form import Score

FloatArray = NDArray[np.float64]

PERCUSSION_KEYS = (37, 39, 54, 54, 56, 60, 61, 62, 63, 64, 65, 66, 67, 68, 69, 69, 70, 70, 75, 75, 76, 77, 80, 81)
"""General MIDI keys: side stick, clap, tambourine, cowbell, bongos, congas, timbales, agogos, cabasa, maracas, claves,
wood blocks, triangle; those that songs hold most often named twice."""

_CLOSED, _PEDAL, _OPEN = 42, 44, 46


def with_percussion(score: Score, slots_per_beat: int, rng: Generator) -> Score:
    """The score with its closed hats played otherwise, and up to two percussion figures beside the drums."""
    drums = _other_hats(score.drums, rng)
    figures = [_figure(score, slots_per_beat, rng) for _ in range(int(rng.integers(0, 3)))]
    drums = np.concatenate([drums, *figures])
    return replace(score, drums=drums[np.argsort(drums[:, 0], kind="stable")])


def _other_hats(drums: FloatArray, rng: Generator) -> FloatArray:
    """All closed hats open or by foot, or those between the beats open; or as they are."""
    kind, changed = rng.random(), drums.copy()
    closed = changed[:, 1] == _CLOSED
    between = np.abs(changed[:, 0] - np.round(changed[:, 0])) > 0.2
    if kind < 0.12:
        changed[closed, 1] = _OPEN
    elif kind < 0.3:
        changed[closed, 1] = _PEDAL
    elif kind < 0.5:
        changed[closed & between, 1] = _OPEN
    return changed


def _figure(score: Score, slots_per_beat: int, rng: Generator) -> FloatArray:
    """(n, 3) of beat, key, velocity: a figure of one or two bars that a player keeps up through some of the song."""
    key, loud = int(rng.choice(PERCUSSION_KEYS)), rng.uniform(45, 110)
    bars = len(score.bar_start) - 1
    first = int(rng.integers(0, max(1, bars // 2)))
    last = bars if rng.random() < 0.7 else int(rng.integers(first + 1, bars + 1))
    slots = int(score.bar_start[1]) * slots_per_beat * int(rng.choice([1, 1, 2]))
    struck = _struck(slots, slots_per_beat, rng)
    accent = rng.uniform(0.55, 1.0, slots)
    rows: list[tuple[float, int, float]] = []
    for slot in range(int(score.bar_start[first]) * slots_per_beat, int(score.bar_start[last]) * slots_per_beat):
        place = slot % slots
        if struck[place] and rng.random() > 0.03:
            velocity = loud * accent[place] * np.exp(rng.normal(0, 0.08))
            rows.append((slot / slots_per_beat, key, float(np.clip(velocity, 8, 127))))
    return np.array(rows, float).reshape(-1, 3)


def _struck(slots: int, slots_per_beat: int, rng: Generator) -> NDArray[np.bool_]:
    """Which slots are struck: all, the beats, between the beats, or some of them."""
    kind, within = rng.random(), np.arange(slots) % slots_per_beat
    if kind < 0.3:
        return np.ones(slots, np.bool_)
    if kind < 0.4:
        return np.asarray(within == 0)
    if kind < 0.55:
        return np.asarray(within == slots_per_beat // 2)
    struck = rng.random(slots) < rng.uniform(0.15, 0.6)
    struck[int(rng.integers(slots))] = True
    return np.asarray(struck)
