"""How a player steers: picks the series of strokes from which phase and period correction are estimated."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import Analysis, FloatArray, IntArray
from pulsefind.take.gains import Block, estimate_gains, reliability_of
from pulsefind.take.matching import Matched
from pulsefind.take.places import Slots, lay_slots
from pulsefind.take.records import Gains

_SERIES_NOTES, _PERIOD_NOTES = 40, 100  # judged: notes from which the phase gain is told, and the period gain as well
_BLOCK_NOTES = 6  # judged: shorter runs are left out
_SERIES_RATE = 0.8  # judged: share of a series' places that the voice must fill


def gains_of(matched: Matched, analysis: Analysis, habit_ms: FloatArray, alone: IntArray) -> Gains | None:
    """Phase and period correction of the busiest voice that fills the finest step; None if none does."""
    played = matched.played
    slots = lay_slots(analysis, list(matched.used))
    carried = np.isin(slots.bar, np.r_[alone, matched.fills])
    inside = (slots.nominal_s >= played.nominal_s.min()) & (slots.nominal_s <= played.nominal_s.max())
    chosen = None
    for step, chooses in ((0.5, _on_halves(slots)), (1.0, slots.within == 0)):
        usable = inside & ~carried & chooses
        if not usable.any():
            continue
        for voice in (*sorted(set(played.kind), key=lambda kind: -played.kind.count(kind)), "all"):
            member = np.ones(len(played.kind), np.bool_) if voice == "all" else np.array(played.kind) == voice
            struck = np.isin(slots.nominal_s, played.nominal_s[member])
            if float(np.mean(struck[usable])) >= _SERIES_RATE:
                chosen = (voice, step, member, np.flatnonzero(chooses), usable & struck)
                break
        if chosen is not None:
            break
    if chosen is None:
        return None
    voice, step, member, order, usable = chosen
    value: dict[float, list[float]] = {}
    for nominal, offset in zip(played.nominal_s[member], (played.offset_ms - habit_ms)[member], strict=True):
        value.setdefault(float(nominal), []).append(float(offset))
    blocks = _blocks([float(np.mean(value[float(slots.nominal_s[k])])) if usable[k] else None for k in order])
    n = sum(len(block.asynchrony_ms) for block in blocks)
    if n < _SERIES_NOTES:
        return None
    with_period = n >= _PERIOD_NOTES
    fit = estimate_gains(blocks, with_period)
    lengths = [len(block.asynchrony_ms) for block in blocks]
    reliability = reliability_of(fit, lengths) if fit is not None else None
    if fit is None or reliability is None:
        return None
    return Gains(
        voice,
        step,
        n,
        len(blocks),
        fit.phase_gain,
        reliability.phase_error,
        reliability.phase_bias,
        fit.period_gain,
        reliability.period_error,
        reliability.period_bias,
        fit.timekeeper_sd_ms,
        fit.motor_sd_ms,
    )


def _on_halves(slots: Slots) -> NDArray[np.bool_]:
    """(n_slots,) is it a beat or half of one, swung halves included? None are where beats aren't halved."""
    per_beat = np.bincount(slots.beat)[slots.beat]
    half: NDArray[np.bool_] = ((per_beat == 2) & (slots.within > 0)) | np.isclose(slots.within, 0.5, atol=0.01)
    if not half.any():
        return half
    result: NDArray[np.bool_] = (slots.within == 0) | half
    return result


def _blocks(series: list[float | None]) -> list[Block]:
    """Split a row of asynchronies at its gaps; runs that are too short are left out."""
    blocks = []
    run: list[float] = []
    for value in [*series, None]:
        if value is not None:
            run.append(value)
            continue
        if len(run) >= _BLOCK_NOTES:
            a = np.array(run)
            # What comes before a run isn't known; its first interval is never used.
            blocks.append(Block(a, np.diff(a, prepend=a[0])))
        run = []
    return blocks
