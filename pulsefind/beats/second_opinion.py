"""A second opinion on the beats: in which bars do two independent listeners hear the same?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import Bars, FloatArray, Pulse
from pulsefind.core.words import bars_text, listed

NEAR_S = 0.07
"""Beats this close are the same: the usual tolerance in beat tracking (Davies, Degara and Plumbley 2009)."""

_MOST = 5  # judged: stretches that fit in a sentence


def second_opinion(bars: Bars, first: Pulse, second: Pulse) -> str:
    """In which of the track's bars two pulses agree, in one sentence. No bars give ""."""
    if not len(bars.start_s):
        return ""
    same_beats, same_ones = same_bars(bars, first, second)
    agreed = same_beats & same_ones
    told = [f"the two networks agree in {int(agreed.sum())} of {len(agreed)} bars"]
    for differ, how in ((~same_beats, "other beats"), (same_beats & ~same_ones, "another 1")):
        if differ.any():
            told.append(f"one hears {how} in {_named(bars, differ)}")
    return "second opinion: " + "; ".join(told)


def same_bars(bars: Bars, first: Pulse, second: Pulse) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(n_bars,) each: do both have the same beats there, and the same 1s?"""
    edge_s = np.append(bars.start_s, bars.ends_s[-1]) - NEAR_S
    ones_s = [pulse.time_s[pulse.count == 1] for pulse in (first, second)]
    return _same(edge_s, first.time_s, second.time_s), _same(edge_s, *ones_s)


def _same(edge_s: FloatArray, a_s: FloatArray, b_s: FloatArray) -> NDArray[np.bool_]:
    """(n_edges - 1,) between each two edges: does every time of either lie near one of the other?"""
    same = np.ones(len(edge_s) - 1, np.bool_)
    for times_s, others_s in ((a_s, b_s), (b_s, a_s)):
        padded = np.concatenate([[-np.inf], others_s, [np.inf]])
        after = np.searchsorted(padded, times_s)
        alone = np.minimum(padded[after] - times_s, times_s - padded[after - 1]) > NEAR_S
        bar = np.searchsorted(edge_s, times_s[alone], side="right") - 1
        same[bar[(bar >= 0) & (bar < len(same))]] = False
    return same


def _named(bars: Bars, which: NDArray[np.bool_]) -> str:
    number = bars.number
    spans = [bars_text(int(number[s.first_bar]), int(number[s.last_bar])) for s in bars.stretches(which)]
    more = len(spans) - _MOST
    return listed([*spans[:_MOST], *([f"{more} more"] if more > 0 else [])])
