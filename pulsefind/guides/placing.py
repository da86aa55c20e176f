"""Hits laid on the places of the bar, and which of the doubtful ones count."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.counts import Slot, label, slot_positions
from pulsefind.core.records import Bars, Beats, FloatArray, Grid, Hits, IntArray
from pulsefind.core.strongest import strongest

PLACE_RATE, NOTE_RATE = 0.7, 0.65
"""A place belongs to the pattern if it is struck in at least this share of the bars in which the guide holds (judged);
less for notes, since soft ones are missed (fitted on made songs, out of 0.6, 0.65 and 0.7).
"""

TOLERANCE_MS = 60.0
"""A hit further than this from every place of the grid is on none (judged)."""

CLEAREST_GAP, CLEAREST_NOTE_GAP, USUAL_PULL = 3.0, 2.0, 0.5
"""In log odds: a gap between places struck and not struck wider than this counts as no clearer, for hits and for notes;
and how much wider a gap must be per unit that its middle lies off the usual threshold. Fitted on made songs.
"""

_DOUBLE_HIT_S = 0.03  # judged: no hand strikes the same drum again so soon
_SUREST = 8.0  # log odds that no hit exceeds in practice (judged)


@dataclass(frozen=True, slots=True)
class Placed:
    """The hits of one sound on the bars: bar, slot index (-1: on no place) and offset of each."""

    time_s: FloatArray
    bar: IntArray
    slot: IntArray
    offset_ms: FloatArray
    level_db: FloatArray
    log_odds: FloatArray


def lay(
    hits: Hits, sound: int, beats: Beats, bars: Bars, grid: Grid, slots: list[Slot], ahead_ms: float = 0.0
) -> Placed:
    """Lay the hits of one sound on the places of the grid; of two within 30 ms the stronger stays.

    A player who is early or late throughout is still on the places, so the usual offset is taken off first: that of the
    whole song (ahead_ms, negative if ahead of the beats), and then what remains of the sound's own.
    """
    member = _without_doubles(hits, np.flatnonzero(hits.sound == sound))
    time_s = hits.time_s[member]
    straight = _nearest(time_s, beats, bars, grid, ahead_ms)
    near = np.abs(straight.offset_ms - ahead_ms) < TOLERANCE_MS
    lean_ms = float(np.median(straight.offset_ms[near])) if near.any() else 0.0
    nearest = _nearest(time_s, beats, bars, grid, lean_ms)
    index = {slot.label: i for i, slot in enumerate(slots)}
    slot = np.array(
        [
            index.get(label(int(bars.count[beat]), int(part), int(per_beat)), -1) if on else -1
            for beat, part, per_beat, on in zip(
                nearest.beat, nearest.part, nearest.slots_per_beat, nearest.on_place, strict=True
            )
        ],
        np.int64,
    )
    inside = nearest.bar >= 0
    offset_ms = np.where(nearest.on_place, nearest.offset_ms, 0.0)
    level_db, log_odds = hits.level_db[member][inside], hits.log_odds[member][inside]
    return Placed(time_s[inside], nearest.bar[inside], slot[inside], offset_ms[inside], level_db, log_odds)


def without_doubtful(placed: Placed, full: NDArray[np.bool_], n_slots: int, notes: bool = False) -> Placed:
    """Without the doubtful hits (or notes), doubt beginning where the places separate most clearly.

    How surely a drum is heard varies from song to song; within a song it varies most between places where the drum is
    struck and places where it isn't. So each place gets the log odds that 70 % of its bars reach (65 % for notes), and
    the widest gap between those is the threshold.
    """
    if not (placed.log_odds < 0).any():
        return placed
    rate, clearest = (NOTE_RATE, CLEAREST_NOTE_GAP) if notes else (PLACE_RATE, CLEAREST_GAP)
    lowest = float(placed.log_odds.min()) - 1.0
    table = np.full((len(full), n_slots), lowest)
    on = placed.slot >= 0
    np.maximum.at(table, (placed.bar[on], placed.slot[on]), placed.log_odds[on])
    reached = np.sort(np.r_[np.quantile(table[full], 1 - rate, axis=0), lowest, _SUREST])
    gap, middle = np.diff(reached), (reached[1:] + reached[:-1]) / 2
    least = middle[np.argmax(np.minimum(gap, clearest) - USUAL_PULL * np.abs(middle))]
    kept = placed.log_odds >= least
    return Placed(*(getattr(placed, field.name)[kept] for field in fields(placed)))


@dataclass(frozen=True, slots=True)
class _Nearest:
    """For each hit: its bar (-1: outside), the nearest beat and part of a beat, and how far off it is."""

    bar: IntArray
    beat: IntArray
    part: IntArray
    slots_per_beat: IntArray
    offset_ms: FloatArray
    on_place: NDArray[np.bool_]


def _nearest(time_s: FloatArray, beats: Beats, bars: Bars, grid: Grid, lean_ms: float) -> _Nearest:
    n_beats = len(beats.time_s)
    bar_of_beat = bars.bar_of_beat
    # An edge after the last beat, so that hits on the last beat find their place.
    edge = bars.edges_s(beats)
    meant_s = time_s - lean_ms / 1000
    k = np.searchsorted(edge, meant_s, side="right") - 1
    k[(k < 0) & (edge[0] - meant_s <= TOLERANCE_MS / 1000)] = 0
    inside = (k >= 0) & (k < n_beats)
    at = np.clip(k, 0, n_beats - 1)
    beat_s = edge[at + 1] - edge[at]
    bar = np.where(inside, bar_of_beat[at], -1)
    part, per_beat = np.zeros(len(time_s), np.int64), np.ones(len(time_s), np.int64)
    away_s = np.zeros(len(time_s))
    for section in grid.sections:
        here = (bar >= section.first_bar) & (bar <= section.last_bar)
        within = np.r_[slot_positions(section), 1.0]
        distance = meant_s[here, None] - edge[at[here], None] - within * beat_s[here, None]
        part[here] = np.abs(distance).argmin(axis=1)
        away_s[here] = np.take_along_axis(distance, part[here][:, None], axis=1)[:, 0]
        per_beat[here] = section.slots_per_beat
    on_place = inside & (np.abs(away_s) <= np.minimum(TOLERANCE_MS / 1000, 0.5 * beat_s / per_beat))
    next_beat = part == per_beat
    beat, part = np.where(next_beat, at + 1, at), np.where(next_beat, 0, part)
    on_place &= beat < n_beats
    beat = np.minimum(beat, n_beats - 1)
    bar = np.where(on_place, bar_of_beat[beat], bar)
    return _Nearest(bar, beat, part, per_beat, 1000 * away_s + lean_ms, on_place)


def _without_doubles(hits: Hits, member: IntArray) -> IntArray:
    return member[strongest(hits.time_s[member], hits.strength[member], _DOUBLE_HIT_S)]


def struck_table(placed: Placed, n_bars: int, n_slots: int) -> NDArray[np.bool_]:
    """(n_bars, n_slots): was the place struck in that bar?"""
    table = np.zeros((n_bars, n_slots), np.bool_)
    on = placed.slot >= 0
    table[placed.bar[on], placed.slot[on]] = True
    return table
