"""Faint strokes that count because the player keeps striking there.

A soft hi-hat under a ringing cymbal rises hardly more than the ringing itself sometimes does. Where the sound leaves it
open, the player's own pattern can decide: on a place struck in most bars around, little sound is needed.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.nearest import nearest
from pulsefind.core.records import FloatArray
from pulsefind.take.pattern import FEWEST_AROUND, around_bars, struck_table
from pulsefind.take.places import Slots
from pulsefind.take.records import Played, TakeHits

FAINT_RATE = 0.4
"""The place must be struck in at least this share of the bars around (judged; 0.35 and 0.4 were tried on Groove MIDI
performances rendered as sound).
"""

FAINT_WITHIN_MS = 25.0
"""And the stroke must lie this close to where the player usually plays: two spreads of a loose player (judged)."""


def usual_faint(
    faint: TakeHits, faint_s: FloatArray, played: Played, slots: Slots, n_bars: int
) -> list[tuple[int, int]]:
    """(faint hit, slot) pairs: the loudest faint hit for each empty place of the player's own pattern.

    faint_s (n,) is their track time; played holds the certain hits. A place on which anything was struck isn't empty.
    """
    if not len(faint_s) or not len(played.time_s):
        return []
    table = struck_table(played, n_bars)
    bars = np.unique(played.bar)
    filled = set(zip(played.bar.tolist(), played.place, strict=True))
    lean_ms = _lean_of_kinds(played)
    best: dict[tuple[int, str, str], tuple[int, int]] = {}
    for i, (at_s, kind) in enumerate(zip(faint_s, faint.kind, strict=True)):
        if kind not in lean_ms:
            continue
        usual_s = float(at_s) - lean_ms[kind] / 1000
        slot = int(nearest(slots.nominal_s, np.array([usual_s]))[0])
        key = (int(slots.bar[slot]), slots.place[slot], kind)
        row = table.get(key[1:])
        if row is None or key[:2] in filled or abs(usual_s - slots.nominal_s[slot]) > FAINT_WITHIN_MS / 1000:
            continue
        around = around_bars(bars, key[0])
        if len(around) < FEWEST_AROUND or row[around].mean() < FAINT_RATE:
            continue
        if key not in best or faint.level[i] > faint.level[best[key][0]]:
            best[key] = (i, slot)
    return sorted(best.values())


def _lean_of_kinds(played: Played) -> dict[str, float]:
    kinds = np.array(played.kind)
    return {str(kind): float(np.median(played.offset_ms[kinds == kind])) for kind in np.unique(kinds)}
