"""What a player stresses in a run of notes.

A guitar that hardly ever rests is struck at every place, and so says little about the bar. But it is heard more surely,
or rises further, at some places than at others, and several instruments that the network hears as one kind are told
apart in the same way: at some places more of them play. Where the values of the places, sorted, have a wide gap, the
places above it are a figure of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import Bars, FloatArray
from pulsefind.guides.patterns import MIN_BARS, Pattern, followed, pattern_bar
from pulsefind.guides.placing import NOTE_RATE, Placed, struck_table

MOST_GAPS = 3
"""Gaps that are looked at, the widest first, by how surely and by how far (judged). With 1, 2 and 3 of each, 579, 626
and 656 of 1185 instruments' place sets were among the guides of 302 made songs without drums.
"""

GAP_LOG_ODDS, GAP_DB = 1.0, 2.0
"""Units in which the two kinds of gaps are compared (judged)."""

LEAST_GAP, WIDEST_GAP = 0.1, 3.0
"""Gaps in these units: narrower ones are none, wider ones are alike (judged)."""

UNHEARD_LOG_ODDS, SUREST_LOG_ODDS = -4.0, 8.0
"""Log odds of a place in a bar in which nothing is heard there, and the most that counts (judged): doubtful hits are
kept down to -3 (listen/drums.py).
"""


@dataclass(frozen=True, slots=True)
class Accents:
    """The stressed places, as a pattern of one bar; gap: how far they stand over the others, in units of a gap."""

    pattern: Pattern
    gap: float


def accents_of(placed: Placed, bars: Bars, full: NDArray[np.bool_], n_slots: int) -> list[Accents]:
    """What is stressed in the notes of one sound, doubtful ones among them; no notes give none.

    full: (n_bars,) which bars are whole.
    """
    surely = np.quantile(_by_bar(placed, placed.log_odds, full, n_slots, UNHEARD_LOG_ODDS), 1 - NOTE_RATE, axis=0)
    surely = np.clip(surely, UNHEARD_LOG_ODDS, SUREST_LOG_ODDS)
    level_db = np.median(_by_bar(placed, placed.level_db, full, n_slots, 0.0), axis=0)
    table, phase = struck_table(placed, len(full), n_slots), pattern_bar(bars, 1)
    found = []
    for value, unit, least in ((surely, GAP_LOG_ODDS, UNHEARD_LOG_ODDS), (level_db, GAP_DB, 0.0)):
        for struck, gap in _above_gaps(value, least, unit):
            pattern = Pattern(struck[None], full & followed(table, struck[None], phase))
            if pattern.covered.sum() >= MIN_BARS:
                found.append(Accents(pattern, gap))
    return found


def _by_bar(placed: Placed, value: FloatArray, full: NDArray[np.bool_], n_slots: int, empty: float) -> FloatArray:
    """(n_full_bars, n_slots) the highest value at each place of each whole bar, empty where nothing is heard."""
    table = np.full((len(full), n_slots), empty)
    on = placed.slot >= 0
    np.maximum.at(table, (placed.bar[on], placed.slot[on]), value[on])
    return table[full]


def _above_gaps(value: FloatArray, least: float, unit: float) -> list[tuple[NDArray[np.bool_], float]]:
    """Places above the widest gaps of the sorted values (n_slots,), and those gaps; least is the value of no sound."""
    falling = np.append(np.sort(value)[::-1], least)
    gap = np.minimum(-np.diff(falling) / unit, WIDEST_GAP)
    widest = np.argsort(-gap, kind="stable")[:MOST_GAPS]
    return [(value >= falling[k], float(gap[k])) for k in widest if gap[k] > LEAST_GAP and falling[k] > least]
