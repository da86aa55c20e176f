"""Where a take and its track depart from their own patterns: what tells one bar from another.

In a song of even bars every start that is whole bars away fits as well, but for what happens once: a fill, a break, a
push. So each stroke counts as far as its kind is seldom struck there a bar before or after, and each moment of the
track by how much more begins there than at the same place of its other bars.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.nearest import distance
from pulsefind.core.records import Analysis, FloatArray
from pulsefind.take.heard import RATE_HZ, SCATTERED, Heard
from pulsefind.take.records import TakeHits

_PARTS = 96  # judged: of a bar, so six to a sixteenth of 4/4
_AROUND_BARS = 4  # judged: bars before and after that show what is usual
_SAME_PLACE_S = 0.05  # judged: half a sixteenth at 150 bpm


@dataclass(frozen=True, slots=True)
class Departures:
    """start_s (n_bars + 1,); low, high (n_bars, parts): log onset density less its mean over all bars; rare (n_hits,):
    the share of the bars around in which the same kind isn't struck at the same place.
    """

    start_s: FloatArray
    low: FloatArray
    high: FloatArray
    rare: FloatArray

    def agreeing(self, at_s: FloatArray, kick: NDArray[np.bool_]) -> tuple[float, float]:
        """Log likelihood ratio of the kicks and of the rest, laid at track times at_s (n_hits,)."""
        bar = np.clip(np.searchsorted(self.start_s, at_s, side="right") - 1, 0, len(self.start_s) - 2)
        within = (at_s - self.start_s[bar]) / (self.start_s[bar + 1] - self.start_s[bar])
        inside = (within >= 0) & (within < 1)
        part = np.clip((within * _PARTS).astype(np.int64), 0, _PARTS - 1)
        low, high = (inside & kick), (inside & ~kick)
        return (
            float(self.rare[low] @ self.low[bar[low], part[low]]),
            float(self.rare[high] @ self.high[bar[high], part[high]]),
        )


def departures_of(analysis: Analysis, heard: Heard, hits: TakeHits) -> Departures:
    """The track must have bars, and the take hits."""
    start_s = np.r_[analysis.bars.start_s, analysis.bars.end_s]
    bar_s = float(np.median(np.diff(start_s)))
    return Departures(
        start_s, _unusual(heard.low, start_s), _unusual(heard.high, start_s), _rare(hits.time_s, hits.kind, bar_s)
    )


def _unusual(density: FloatArray, start_s: FloatArray) -> FloatArray:
    """(n_bars, parts) log density less its mean at that place; 0 where there is no sound."""
    at = (np.arange(_PARTS) + 0.5) / _PARTS
    frame = np.round((start_s[:-1, None] + at * np.diff(start_s)[:, None]) * RATE_HZ).astype(np.int64)
    inside = (frame >= 0) & (frame < len(density))
    log = np.where(inside, np.log(SCATTERED + (1 - SCATTERED) * density[np.clip(frame, 0, len(density) - 1)]), 0.0)
    usual = log.sum(axis=0) / np.maximum(inside.sum(axis=0), 1)
    unusual: FloatArray = np.where(inside, log - usual, 0.0)
    return unusual


def _rare(time_s: FloatArray, kind: tuple[str, ...], bar_s: float) -> FloatArray:
    kinds = np.array(kind)
    rare = np.full(len(time_s), 0.5)
    for name in np.unique(kinds):
        member = np.flatnonzero(kinds == name)
        mine_s = time_s[member]
        missing, looked = np.zeros(len(member)), np.zeros(len(member))
        for k in range(-_AROUND_BARS, _AROUND_BARS + 1):
            there_s = mine_s + k * bar_s
            inside = (there_s >= time_s[0] - _SAME_PLACE_S) & (there_s <= time_s[-1] + _SAME_PLACE_S) & (k != 0)
            missing += inside & (distance(mine_s, there_s) >= _SAME_PLACE_S)
            looked += inside
        rare[member] = np.where(looked > 0, missing / np.maximum(looked, 1), 0.5)
    return rare
