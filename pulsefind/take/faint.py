"""Faint strokes taken for strokes where the player strikes again and again.

A soft hi-hat under a ringing cymbal rises hardly more than the ringing itself does now and then. What the sound leaves
open the player's own pattern may settle: on a place that is struck in nearly every bar around, little sound is needed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pulsefind.core.nearest import nearest
from pulsefind.core.records import Analysis, FloatArray
from pulsefind.take.matching import FEWEST_AROUND, Matched, around_bars, struck_table
from pulsefind.take.places import lay_slots
from pulsefind.take.records import TakeHits

FAINT_RATE = 0.4
"""The place must be struck in at least this share of the bars around."""

FAINT_WITHIN_MS = 25.0
"""And the stroke lie this near to where the player usually strikes it."""


def with_usual_faint(hits: TakeHits, faint_s: FloatArray, matched: Matched, analysis: Analysis) -> TakeHits:
    """The hits and those faint ones that fill a place of the player's own pattern which is empty in its bar.

    faint_s (n,) are the faint ones in track time; matched is what came of the hits without them.
    """
    faint = hits.faint
    if faint is None or not len(faint.time_s) or not len(matched.played.time_s):
        return hits
    chosen = _usual(faint, faint_s, matched, analysis)
    if not chosen:
        return hits
    time_s = np.r_[hits.time_s, faint.time_s[chosen]]
    order = np.argsort(time_s, kind="stable")
    kind = (*hits.kind, *(faint.kind[i] for i in chosen))
    level = np.r_[hits.level, faint.level[chosen]]
    return replace(hits, time_s=time_s[order], level=level[order], kind=tuple(kind[i] for i in order.tolist()))


def _usual(faint: TakeHits, faint_s: FloatArray, matched: Matched, analysis: Analysis) -> list[int]:
    """Indices of the faint hits to take, at most one a place and kind of a bar: the loudest."""
    played = matched.played
    slots = lay_slots(analysis, list(matched.used))
    table = struck_table(played, len(analysis.bars.beats))
    bars = np.unique(played.bar)
    filled = set(zip(played.bar.tolist(), played.place, strict=True))
    lean_ms = _lean_of_kinds(matched)
    best: dict[tuple[int, str, str], int] = {}
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
        if key not in best or faint.level[i] > faint.level[best[key]]:
            best[key] = i
    return sorted(best.values())


def _lean_of_kinds(matched: Matched) -> dict[str, float]:
    kinds = np.array(matched.played.kind)
    return {str(kind): float(np.median(matched.played.offset_ms[kinds == kind])) for kind in np.unique(kinds)}
