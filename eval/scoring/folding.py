"""Annotated bars, and the places in them at which a sound recurs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eval.records import FloatArray, Reference
from eval.scoring.metrics import meter

MIN_HIT_RATE = 0.7
ONSET_RATE = 0.6
"""The same where instruments' onsets are the truth, found by program on each of them: soft ones are missed."""
TOLERANCE_BARS = 1 / 24
TOLERANCE_S = 0.05
SLOTS_PER_BEAT = 12


@dataclass(frozen=True, slots=True)
class BarLines:
    """Where the annotated bars lie: start_s and length_s (n_bars,), in seconds; beats in each.

    least_rate is the share of the bars in which a place must be struck to be one.
    """

    start_s: FloatArray
    length_s: FloatArray
    beats: int
    least_rate: float = MIN_HIT_RATE

    @property
    def tolerance_bars(self) -> float:
        """How far a hit may lie from its place, as a fraction of the usual bar."""
        return min(TOLERANCE_BARS, TOLERANCE_S / float(np.median(self.length_s)))


def bar_lines(reference: Reference) -> BarLines | None:
    """Return the bars of the usual meter, or None where there are none."""
    if reference.count is None:
        return None
    beats = meter(reference.count)
    if beats is None:
        return None
    ones = np.flatnonzero(reference.count == 1)
    full = np.flatnonzero(np.diff(ones) == beats)
    start_s = reference.beat_s[ones[full]]
    length_s = reference.beat_s[ones[full + 1]] - start_s
    if len(reference.beat_s) - ones[-1] == beats:
        start_s = np.r_[start_s, reference.beat_s[ones[-1]]]
        last_s = reference.beat_s[-1] - reference.beat_s[ones[-1]]
        length_s = np.r_[length_s, last_s * beats / (beats - 1) if beats > 1 else length_s[-1]]
    from_onsets = reference.drums is None and reference.onsets is not None
    return BarLines(start_s, length_s, beats, ONSET_RATE if from_onsets else MIN_HIT_RATE)


def _hits_in_bars(hit_s: FloatArray, bars: BarLines) -> tuple[FloatArray, FloatArray]:
    """Return bar index and position (fraction of the bar) of every hit inside the bars.

    A hit just before a bar line belongs to the bar that follows, at a position slightly below 0.
    """
    index: list[int] = []
    position: list[float] = []
    for bar, (start_s, length_s) in enumerate(zip(bars.start_s, bars.length_s, strict=True)):
        at = (hit_s - start_s) / length_s
        inside = at[(at >= -bars.tolerance_bars) & (at < 1 - bars.tolerance_bars)]
        index += [bar] * len(inside)
        position += inside.tolist()
    return np.array(index, dtype=np.float64), np.array(position, dtype=np.float64)


def fold(hit_s: FloatArray, bars: BarLines, pattern_bars: int = 1, rotation: int = 0) -> FloatArray:
    """Return the places of a sound, in bars from the start of the pattern; empty when there are none.

    hit_s: (n_hits,) in seconds. rotation is the number of bars before the first pattern starts.
    """
    bar, position = _hits_in_bars(hit_s, bars)
    repeat = np.floor((bar - rotation) / pattern_bars)
    at = position + (bar - rotation) - repeat * pattern_bars
    repeats = (len(bars.start_s) - rotation) // pattern_bars
    slots = np.arange(pattern_bars * bars.beats * SLOTS_PER_BEAT) / (bars.beats * SLOTS_PER_BEAT)
    places: list[float] = []
    while repeats:
        near = np.abs(at[:, None] - slots) <= bars.tolerance_bars
        rate = np.array([len(np.unique(repeat[column])) for column in near.T]) / repeats
        if not len(at) or rate.max() < bars.least_rate:
            break
        # Several slots may catch the same hits: the one in their middle is meant.
        distance = np.where(near, np.abs(at[:, None] - slots), 0).sum(axis=0) / np.maximum(near.sum(axis=0), 1)
        slot = min(np.flatnonzero(rate == rate.max()), key=lambda k: (distance[k], k))
        centre = float(at[near[:, slot]].mean())
        places.append(centre % pattern_bars)
        used = near[:, slot] | (np.abs(at - centre) <= bars.tolerance_bars)
        at, repeat = at[~used], repeat[~used]
    return np.sort(np.array(places))
