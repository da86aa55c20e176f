"""Faint strokes that count because of what is heard of them, and because the player keeps striking there.

A soft hi-hat under a ringing cymbal rises hardly more than the ringing itself sometimes does. Where the sound leaves it
open, the player's own pattern can tip the scales: on a place struck in most bars around, less sound is needed.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.nearest import nearest
from pulsefind.core.records import FloatArray
from pulsefind.take.pattern import around_bars
from pulsefind.take.places import Slots
from pulsefind.take.records import Played, TakeHits

_UNSEEN = 0.5  # published: Jeffreys' prior, half a bar struck and half a bar not before any is looked at (from memory)

FAINT_WITHIN_MS = 25.0
"""And the stroke must lie this close to where the player usually plays: two spreads of a loose player (judged)."""


def usual_faint(
    faint: TakeHits, faint_s: FloatArray, played: Played, slots: Slots, n_bars: int
) -> list[tuple[int, int]]:
    """(faint hit, slot) pairs: the likeliest faint hit for each empty place, where one was likelier played than not.

    faint_s (n,) is their track time; played holds the certain hits. A place on which anything was struck isn't empty.
    """
    if not len(faint_s) or not len(played.time_s):
        return []
    table = _struck(played, n_bars)
    bars = np.unique(played.bar)
    filled = set(zip(played.bar.tolist(), played.place, strict=True))
    lean_ms = _lean_of_kinds(played)
    by_sound = np.zeros(len(faint_s)) if faint.log_odds is None else faint.log_odds
    best: dict[tuple[int, str], tuple[float, int, int]] = {}
    for i, (at_s, kind) in enumerate(zip(faint_s, faint.kind, strict=True)):
        if kind not in lean_ms:
            continue
        usual_s = float(at_s) - lean_ms[kind] / 1000
        slot = int(nearest(slots.nominal_s, np.array([usual_s]))[0])
        key = (int(slots.bar[slot]), slots.place[slot])
        if key in filled or abs(usual_s - slots.nominal_s[slot]) > FAINT_WITHIN_MS / 1000:
            continue
        around = around_bars(bars, key[0])
        struck = int(table[key[1]][around].sum()) if key[1] in table else 0
        log_odds = by_sound[i] + np.log((struck + _UNSEEN) / (len(around) - struck + _UNSEEN))
        if log_odds > 0 and (key not in best or log_odds > best[key][0]):
            best[key] = (float(log_odds), i, slot)
    return sorted((i, slot) for _, i, slot in best.values())


def _struck(played: Played, n_bars: int) -> dict[str, np.ndarray]:
    """For every place, (n_bars,): was anything struck there?"""
    table: dict[str, np.ndarray] = {}
    for place, bar in zip(played.place, played.bar, strict=True):
        table.setdefault(place, np.zeros(n_bars, np.bool_))[bar] = True
    return table


def _lean_of_kinds(played: Played) -> dict[str, float]:
    kinds = np.array(played.kind)
    return {str(kind): float(np.median(played.offset_ms[kinds == kind])) for kind in np.unique(kinds)}
