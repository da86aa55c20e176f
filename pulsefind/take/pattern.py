"""The player's own pattern: what they strike in which bars, where they depart from it, and what they leave out."""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import IntArray
from pulsefind.take.places import Slots
from pulsefind.take.records import Missed, Played

OWN_RATE = 0.75
"""A place struck in at least this share of the bars around is part of the player's own pattern (judged)."""

RARE_RATE = 0.25
"""A place struck in a smaller share of the bars than this is not the player's (judged)."""

FEWEST_AROUND = 5
"""With fewer bars around a bar than this, nothing is said about its pattern (judged)."""

_AROUND_BARS = 4  # judged: a pattern may change from one eight-bar phrase to the next
_FEWEST_NEW, _MANY_NEW = 4, 0.35
"""A bar with this many drums and places, this share of them new and on drums rather than cymbals, is a fill
(judged).
"""


def struck_table(played: Played, n_bars: int) -> dict[tuple[str, str], np.ndarray]:
    """For every place and kind, (n_bars,): was it struck?"""
    table: dict[tuple[str, str], np.ndarray] = {}
    for place, kind, bar in zip(played.place, played.kind, played.bar, strict=True):
        table.setdefault((place, kind), np.zeros(n_bars, np.bool_))[bar] = True
    return table


def fills_of(played: Played, n_bars: int) -> IntArray:
    """Bars (indices) in which much of what is struck on drums is not in the player's pattern around them."""
    table = struck_table(played, n_bars)
    bars = np.unique(played.bar)
    fills = []
    for bar in bars:
        around = around_bars(bars, int(bar))
        if len(around) < FEWEST_AROUND:
            continue
        struck = [key for key, row in table.items() if row[bar]]
        new = [key for key in struck if table[key][around].mean() < RARE_RATE]
        toms = [key for key in new if key[1] in ("tom", "snare", "kick")]
        if len(struck) >= _FEWEST_NEW and len(toms) / len(struck) >= _MANY_NEW:
            fills.append(int(bar))
    return np.array(fills, np.int64)


def around_bars(bars: IntArray, bar: int) -> IntArray:
    """Which bars (indices) lie within four of a bar, leaving out the bar itself."""
    near: IntArray = bars[(np.abs(bars - bar) <= _AROUND_BARS) & (bars != bar)]
    return near


def missed_of(played: Played, slots: Slots, n_bars: int, fills: IntArray, source: str) -> tuple[Missed, ...]:
    """Places of the player's own pattern in the bars around that stayed empty; fills and rests don't count.

    In sound one drum may hide another, so there a place counts as missed only when nothing at all was struck on it.
    """
    struck = set(zip(played.bar.tolist(), played.place, strict=True))
    table = struck_table(played, n_bars)
    steady = np.setdiff1d(np.unique(played.bar), fills)
    nominal: dict[tuple[int, str], float] = {
        (int(bar), place): float(t) for bar, place, t in zip(slots.bar, slots.place, slots.nominal_s, strict=True)
    }
    found = []
    for bar in steady:
        # The first and last bars have too few around them, so nothing is missed before the take begins or after it
        # ends.
        around = around_bars(steady, int(bar))
        if len(around) < FEWEST_AROUND:
            continue
        for (place, kind), row in table.items():
            at_s = nominal.get((int(bar), place))
            if row[bar] or at_s is None:
                continue
            if source == "audio" and (int(bar), place) in struck:
                continue
            if row[around].mean() >= OWN_RATE:
                found.append(Missed(at_s, int(bar), place, kind))
    return tuple(sorted(found, key=lambda missed: missed.time_s))
