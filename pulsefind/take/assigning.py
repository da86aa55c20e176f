"""Hits assigned to places, one to one and in order, with the least total distance."""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import FloatArray
from pulsefind.take.places import Slots

WINDOW_SHARE, WINDOW_MS = 0.5, 90.0
"""How far a hit may lie from its place: a share of the space to the next place, and never more than so many ms
(judged).
"""


def window_of(slots: Slots) -> FloatArray:
    """(n_slots, 2) how far before and after each slot a hit may lie; on a swung grid the two differ."""
    gap_s = np.diff(slots.nominal_s)
    around_s = np.stack([np.r_[gap_s[:1], gap_s], np.r_[gap_s, gap_s[-1:]]], axis=1)
    window: FloatArray = np.minimum(WINDOW_MS / 1000, WINDOW_SHARE * around_s)
    return window


def assign(time_s: FloatArray, nominal_s: FloatArray, window_s: FloatArray) -> list[tuple[int, int]]:
    """Pairs (hit, slot), one to one and in order, with the least total distance; leaving a hit out costs a window.

    time_s (n,) and nominal_s (m,) increase; window_s (m, 2) is how far before and after each slot a hit may be.
    Dynamic programming over the hits: the state is the last slot taken.
    """
    low = np.searchsorted(nominal_s, time_s - WINDOW_MS / 1000)
    high = np.searchsorted(nominal_s, time_s + WINDOW_MS / 1000)
    # state: last slot -> (cost, chain of pairs as nested tuples)
    state: dict[int, tuple[float, object]] = {-1: (0.0, None)}
    for i, t in enumerate(time_s):
        following: dict[int, tuple[float, object]] = {}
        for last, (cost, chain) in state.items():
            _keep(following, last, cost + WINDOW_MS / 1000, chain)
            for slot in range(max(int(low[i]), last + 1), int(high[i])):
                away = float(t) - float(nominal_s[slot])
                if -window_s[slot, 0] <= away <= window_s[slot, 1]:
                    _keep(following, slot, cost + abs(away), (chain, i, slot))
        state = _worth_keeping(following, int(low[min(i + 1, len(low) - 1)]))
    best = min(state.values(), key=lambda item: item[0])
    pairs = []
    chain = best[1]
    while isinstance(chain, tuple):
        chain, hit, slot = chain
        pairs.append((hit, slot))
    return pairs[::-1]


def _keep(state: dict[int, tuple[float, object]], slot: int, cost: float, chain: object) -> None:
    if slot not in state or cost < state[slot][0]:
        state[slot] = (cost, chain)


def _worth_keeping(state: dict[int, tuple[float, object]], in_reach: int) -> dict[int, tuple[float, object]]:
    """A state is worth keeping only when no earlier last slot costs as little.

    Of those before the first slot in reach of the next hit the cheapest is enough: they leave the same choice.
    """
    kept: dict[int, tuple[float, object]] = {}
    least = np.inf
    for slot in sorted(state):
        if state[slot][0] < least:
            if slot < in_reach:
                kept.clear()
            kept[slot] = state[slot]
            least = state[slot][0]
    return kept
