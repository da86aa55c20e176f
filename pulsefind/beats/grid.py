"""The subdivision that the track really uses: straight, triplet or swung, and from which bar to which."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pulsefind.core.counts import slot_positions
from pulsefind.core.lean import lean_ms
from pulsefind.core.records import Bars, Beats, FloatArray, Grid, GridSection, Hits, IntArray

SPREAD_MS = 14.0
"""Standard deviation of hits around their places, as the comparison of grids assumes (judged: human playing)."""

STRAY = 0.1
"""Share of hits that belong to no place (judged)."""

SHORTEST_SLOT_MS = 55.0
"""Finer grids can't be told from looseness, and are hardly ever played (judged)."""

SMALLEST_SWING = 1.15
"""Below this long : short ratio, a pair counts as straight (judged)."""

SWITCH_COST = 12.0
"""The log likelihood that a change of grid must gain (judged)."""

RARITY = {1: 0.0, 2: 0.0, 3: 1.0, 4: 0.0, 6: 3.0}
"""Log odds per bar against a grid: triplets, and even more so their halves, are rarer than even parts (judged)."""

LARGEST_SWING = {2: 3.5, 4: 2.2}
"""The largest long : short ratio of swung eighths (2: Friberg and Sundström 2002) and sixteenths (4: judged)."""

SHORTEST_NOTE_MS = {2: 60.0, 4: 70.0}
"""The shortest short note of either (judged). Drummers' stays near 100 ms (Friberg and Sundström 2002); anything much
shorter is a hit ahead of the next place.
"""

LEAST_PLAUSIBLE_MS = 75.0
"""A shorter short note of swung eighths is doubted (judged: three quarters of what drummers play)."""

FEWEST_LATE = 0.06
"""Share of the hits that must lie near the late places before a pair can count as swung (judged)."""

FEWEST_TAUGHT = 3.0
"""Hits and notes per bar, of sounds that the network was taught, from which they alone decide the grid (judged: half
the eighths of a short bar). Untaught sounds are often part of a ringing sound that wasn't struck at all.
"""

_STRAIGHT = ((1, 1.0), (2, 1.0), (4, 1.0))  # slots and swing: of the candidates, those that halve (arithmetic)
_SLOTS_IN_THREES = (1, 3, 6)  # a beat of three eighths is never halved (common practice, no source)

_SAME_ATTACK_S = 0.015  # judged: what starts this close is one attack of several sounds


@dataclass(frozen=True, slots=True)
class _Phases:
    """Where hits fall within their beat: phase (n,) 0..1, bar (n,) index, beat_ms (n,) length of the beat."""

    phase: FloatArray
    bar: IntArray
    beat_ms: FloatArray


def find_grid(beats: Beats, bars: Bars, hits: Hits, in_threes: bool = False) -> Grid:
    """Choose the grid of each stretch of bars.

    Doubtful hits don't count. Given enough hits and notes of taught sounds, they decide the grid, with one exception:
    where their grid and that of all hits are both straight, the finer one is taken, because something unknown (a muted
    string, a shaker) plays between their places.

    Each candidate (1, 2, 3, 4 or 6 slots a beat; 2 and 4 also swung) is a mixture of places with learned weights, plus
    strays; candidates are compared by the Bayesian information criterion over the track, and bar by bar along a Viterbi
    path with a cost for every change. No bars give an empty grid; bars without hits go with their neighbours, and
    without any hits there are only the beats. Beats of three eighths (in_threes: 9/8, 12/8) have 1, 3 or 6 slots.
    """
    n_bars = len(bars.beats)
    of_all = grid_of_times(beats, bars, hits.certain().time_s, in_threes)
    taught = hits.taught()
    if n_bars == 0 or len(taught.time_s) < FEWEST_TAUGHT * n_bars:
        return of_all
    return _finer_where_straight(grid_of_times(beats, bars, taught.time_s, in_threes), of_all, n_bars)


def grid_of_times(beats: Beats, bars: Bars, time_s: FloatArray, in_threes: bool) -> Grid:
    """The grid of each stretch of bars from hits at increasing times (n,), all counting alike."""
    n_bars = len(bars.beats)
    if n_bars == 0:
        return Grid(())
    phases = _phases(beats, bars, time_s)
    candidates = [candidate for candidate in _candidates(phases) if not in_threes or candidate[0] in _SLOTS_IN_THREES]
    gain = np.zeros((n_bars, len(candidates)))
    for j, (slots, ratio) in enumerate(candidates):
        section = GridSection(0, n_bars - 1, slots, ratio)
        log = _log_likelihood(phases, section)
        parameters = slots - 1 + (ratio != 1.0)
        penalty = 0.5 * parameters * np.log(max(len(log), 2)) / n_bars
        gain[:, j] = np.bincount(phases.bar, weights=log, minlength=n_bars) - penalty - RARITY[slots]
    return Grid(_sections([candidates[j] for j in _best_path(gain)]))


def _finer_where_straight(grid: Grid, other: Grid, n_bars: int) -> Grid:
    """The first grid; but in bars in which both are straight, whichever is finer."""
    of_bar = [
        that if this in _STRAIGHT and that in _STRAIGHT and that > this else this
        for this, that in zip(_by_bar(grid, n_bars), _by_bar(other, n_bars), strict=True)
    ]
    return Grid(_sections(of_bar))


def _by_bar(grid: Grid, n_bars: int) -> list[tuple[int, float]]:
    """Slots a beat and swing ratio of each bar."""
    of_bar: list[tuple[int, float]] = [(1, 1.0)] * n_bars
    for section in grid.sections:
        here = (section.slots_per_beat, section.swing_ratio)
        of_bar[section.first_bar : section.last_bar + 1] = [here] * (section.last_bar + 1 - section.first_bar)
    return of_bar


def swing_warnings(grid: Grid, beat_ms: float) -> tuple[str, ...]:
    """A warning where swung eighths leave a shorter short note than drummers play; empty if all is plausible.

    A. Friberg and A. Sundström, "Swing ratios and ensemble timing in jazz performance", Music Perception 19 (2002):
    drummers' ratio falls from about 3.5 : 1 at slow tempi to 1 : 1 at fast ones, the short note stays near 100 ms.
    """
    swung = [section.swing_ratio for section in grid.sections if section.slots_per_beat == 2]
    ratio = max(swung, default=1.0)
    short_ms = beat_ms / (1 + ratio)
    if ratio < SMALLEST_SWING or short_ms >= LEAST_PLAUSIBLE_MS:
        return ()
    warning = (
        f"a swing of {ratio:.1f} : 1 leaves {short_ms:.0f} ms for the short note, drummers need about 100; "
        "the tempo may be half of this, or the notes straight"
    )
    return (warning,)


def _phases(beats: Beats, bars: Bars, time_s: FloatArray) -> _Phases:
    bar_of_beat = bars.bar_of_beat
    if len(time_s):
        # The mean of sounds struck together; the first of them would be early compared with a sound struck alone.
        attack = np.cumsum(np.r_[0, np.diff(time_s) > _SAME_ATTACK_S])
        time_s = np.bincount(attack, weights=time_s) / np.bincount(attack)
    inside = (time_s >= beats.time_s[0]) & (time_s < beats.time_s[-1])
    time_s = time_s[inside]
    k = np.searchsorted(beats.time_s, time_s, side="right") - 1
    beat_ms = 1000 * (beats.time_s[k + 1] - beats.time_s[k])
    after_ms = 1000 * (time_s - beats.time_s[k])
    phase = (after_ms - lean_ms(after_ms, beat_ms)) / beat_ms % 1.0
    return _Phases(phase, bar_of_beat[k], beat_ms)


def _candidates(phases: _Phases) -> list[tuple[int, float]]:
    """The grids that the tempo allows, and swung ones with the best ratio where that is more than straight."""
    beat_ms = float(np.median(phases.beat_ms)) if len(phases.beat_ms) else 500.0
    found = [(n, 1.0) for n in (1, 2, 3, 4, 6) if n <= 2 or beat_ms / n >= SHORTEST_SLOT_MS]
    for n in (2, 4):
        if (n, 1.0) in found and len(phases.phase) >= 16:
            ratio = _fit_swing(phases, n)
            if ratio >= SMALLEST_SWING:
                found.append((n, ratio))
    return found


def _fit_swing(phases: _Phases, slots: int) -> float:
    """The long : short ratio with the highest likelihood, refined by the mean of the hits near the late slot."""
    pair_ms = float(np.median(phases.beat_ms)) * 2.0 / slots
    largest = min(LARGEST_SWING[slots], pair_ms / SHORTEST_NOTE_MS[slots] - 1)
    ratios = np.round(np.arange(1.0, largest + 0.05, 0.1), 2)
    if not len(ratios):
        return 1.0
    best = max(ratios, key=lambda r: _log_likelihood(phases, GridSection(0, 0, slots, float(r))).sum())
    pair = 2.0 / slots
    within = (phases.phase % pair) / pair
    late = best / (1 + best)
    near = np.abs(within - late) * pair * phases.beat_ms < 2 * SPREAD_MS
    if near.sum() < max(8, FEWEST_LATE * len(within)):
        return 1.0
    position = float(np.clip(np.mean(within[near]), 0.5, largest / (1 + largest)))
    return round(position / (1 - position), 2)


def _log_likelihood(phases: _Phases, section: GridSection) -> FloatArray:
    """(n_hits,) log likelihood under a grid, slot weights learned by expectation maximisation."""
    position = slot_positions(section)
    # A row for each slot: what is summed over slots or hits lies in long runs.
    distance = (phases.phase - position[:, None] + 0.5) % 1.0 - 0.5
    density = np.exp(-0.5 * (distance * phases.beat_ms / SPREAD_MS) ** 2) / (SPREAD_MS * np.sqrt(2 * np.pi))
    stray = STRAY / phases.beat_ms
    weight = np.full(len(position), 1.0 / len(position))
    for _ in range(12):
        joint = ((1 - STRAY) * weight)[:, None] * density
        share = joint / (joint.sum(axis=0) + stray)
        total = share.sum(axis=1) + 0.1
        weight = total / total.sum()
    result: FloatArray = np.log((((1 - STRAY) * weight)[:, None] * density).sum(axis=0) + stray)
    return result


def _best_path(gain: FloatArray) -> IntArray:
    """The Viterbi path over bars, with SWITCH_COST for every change of candidate."""
    value = gain[0].copy()
    origin = np.zeros(gain.shape, dtype=np.int64)
    for k in range(1, len(gain)):
        best = int(value.argmax())
        switch = value[best] - SWITCH_COST
        stay = value >= switch
        origin[k] = np.where(stay, np.arange(len(value)), best)
        value = np.where(stay, value, switch) + gain[k]
    path = np.zeros(len(gain), dtype=np.int64)
    path[-1] = int(value.argmax())
    for k in range(len(gain) - 1, 0, -1):
        path[k - 1] = origin[k, path[k]]
    return path


def _sections(of_bar: list[tuple[int, float]]) -> tuple[GridSection, ...]:
    """Runs of bars with the same slots a beat and swing ratio."""
    starts = [k for k, here in enumerate(of_bar) if k == 0 or here != of_bar[k - 1]]
    ends = [first - 1 for first in starts[1:]] + [len(of_bar) - 1]
    return tuple(GridSection(first, last, *of_bar[first]) for first, last in zip(starts, ends, strict=True))
