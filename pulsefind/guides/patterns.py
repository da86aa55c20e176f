"""Which places a sound keeps being struck at, and in which bars.

A pattern is the set of places struck in at least 70 % of all bars; the Bayesian information criterion decides whether
it repeats every 1, 2 or 4 bars. Where no place recurs over the whole song, and in bars where the pattern isn't played,
sections with patterns of their own are looked for. The bars in which a pattern can be followed are the most likely path
through two states, played and not played (Viterbi 1967), so that a fill or a bar cut short doesn't break it, but the
first bar of a break does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import Bars, FloatArray, IntArray
from pulsefind.guides.placing import PLACE_RATE, Placed, struck_table

STRAY_RATE = 0.15
"""How often a place is struck, by chance or by something else, in bars without the pattern (judged)."""

MOST_EVIDENCE, CHANGE_COST = 3.0, 2.5
"""The most log odds that one bar can give for or against the pattern, and what each change of state costs (judged: two
bars without the pattern end it, one doesn't).
"""

ON_PATTERN, ON_PATTERN_THROUGHOUT = 0.5, 0.35
"""At least this share of a sound's hits in the covered bars must fall on the pattern's places; less for a pattern that
holds throughout the song (judged).
"""

LONGER_GAINS = 10.0
"""Nats that a pattern of two or four bars must save over one of a single bar (judged): players vary, and a few bars
prove little.
"""

REPEATS_OF_LONGER = 6
"""A pattern of two or four bars must come round this often to count as the whole song's (judged)."""

MIN_BARS = 4  # judged: fewer bars make no habit
PATTERN_BARS = (1, 2, 4)  # lengths of patterns that are tried; common practice, no source
SEED_BARS = 8  # the usual length of a section; common practice, no source

LEAST_CLARITY = 0.2
"""A sound outside the drum kit that is struck nearly as often between its places says nothing about the bar
(judged).
"""

_ROUNDS = 3  # judged: places and bars settle by then


@dataclass(frozen=True, slots=True)
class Pattern:
    """Which slots are struck in which bar of the pattern, (pattern_bars, n_slots), and which bars follow it,
    (n_bars,).
    """

    struck: NDArray[np.bool_]
    covered: NDArray[np.bool_]


def find_pattern(
    placed: Placed, bars: Bars, allowed: NDArray[np.bool_], n_slots: int, drum: bool, rate: float = PLACE_RATE
) -> Pattern | None:
    """The pattern of the allowed bars: one that holds throughout, else that of a section, else None.

    rate: the share of its bars in which each of its places must be struck.
    """
    table = struck_table(placed, len(bars.beats), n_slots)
    return _throughout(table, placed, bars, allowed, drum, rate) or _in_a_section(table, placed, bars, allowed, rate)


def _throughout(
    table: NDArray[np.bool_], placed: Placed, bars: Bars, allowed: NDArray[np.bool_], drum: bool, rate: float
) -> Pattern | None:
    """The pattern of all allowed bars: a single bar, unless a longer one explains them much better.

    Whatever else a drum plays (ghost notes, fills) doesn't matter as long as its places stand out.
    """
    best: tuple[float, Pattern] | None = None
    for length in PATTERN_BARS:
        phase = pattern_bar(bars, length)
        rows = [table[allowed & (phase == p)] for p in range(length)]
        if min(map(len, rows)) < (MIN_BARS if length == 1 else REPEATS_OF_LONGER):
            break
        struck = np.array([row.mean(axis=0) >= rate for row in rows])
        if not struck.any():
            continue
        score = _information_score(table, Pattern(struck, allowed), phase) - (LONGER_GAINS if length > 1 else 0.0)
        pattern = Pattern(struck, allowed & _followed(table, struck, phase))
        holds = 2 * pattern.covered.sum() >= allowed.sum()
        stands_out = drum and length == 1 and clarity_of(placed, pattern, bars, table.shape[1]) >= LEAST_CLARITY
        least = ON_PATTERN_THROUGHOUT if length == 1 else ON_PATTERN
        if holds and (stands_out or _falls_on_places(placed, pattern, bars, least)):
            best = max(best or (score, pattern), (score, pattern), key=lambda option: option[0])
    return best[1] if best else None


def _in_a_section(
    table: NDArray[np.bool_], placed: Placed, bars: Bars, allowed: NDArray[np.bool_], rate: float
) -> Pattern | None:
    """The pattern that explains most of the allowed bars.

    The search starts from all bars and from every stretch of eight: a figure that fills only one section would be lost
    in the whole song.
    """
    best: tuple[float, Pattern] | None = None
    for length in PATTERN_BARS:
        phase = pattern_bar(bars, length)
        for seed in _seeds(allowed):
            pattern = _settle(table, allowed, seed, phase, rate)
            if pattern is None or not _falls_on_places(placed, pattern, bars, ON_PATTERN):
                continue
            score = _information_score(table, pattern, phase) - (LONGER_GAINS if length > 1 else 0.0)
            if best is None or score > best[0]:
                best = (score, pattern)
    return best[1] if best else None


def _seeds(allowed: NDArray[np.bool_]) -> list[NDArray[np.bool_]]:
    index = np.flatnonzero(allowed)
    seeds = [allowed]
    for first in range(0, max(0, len(index) - SEED_BARS) + 1, SEED_BARS // 2):
        seed = np.zeros(len(allowed), np.bool_)
        seed[index[first : first + SEED_BARS]] = True
        seeds.append(seed)
    return seeds


def pattern_bar(bars: Bars, length: int) -> IntArray:
    """Which bar of a pattern of this length each bar is, counted from the first full bar."""
    phase: IntArray = (bars.number - 1) % length
    return phase


def _settle(
    table: NDArray[np.bool_], allowed: NDArray[np.bool_], seed: NDArray[np.bool_], phase: IntArray, rate: float
) -> Pattern | None:
    """Find places and covered bars that are consistent with each other, starting from the bars of the seed."""
    covered = seed
    length = int(phase.max()) + 1
    struck = np.zeros((length, table.shape[1]), np.bool_)
    least = 0.75 * rate
    for step in range(_ROUNDS):
        for p in range(length):
            rows = table[covered & (phase == p)]
            if len(rows) < 2:
                return None
            struck[p] = rows.mean(axis=0) >= least
        if not struck.any():
            return None
        # While places are being found, each bar is judged by itself; the slow search over all bars runs once, at the
        # end.
        played = _evidence(table, struck, phase) > 0 if step < _ROUNDS - 1 else _followed(table, struck, phase)
        covered = allowed & played
        if covered.sum() < min(MIN_BARS, max(2, allowed.sum())):
            return None
        least = rate if step else 0.9 * rate
    return Pattern(struck, covered)


def _followed(table: NDArray[np.bool_], struck: NDArray[np.bool_], phase: IntArray) -> NDArray[np.bool_]:
    """Bars in which the pattern is played: the likelier path through two states, with a cost for each change."""
    evidence = _evidence(table, struck, phase).tolist()
    rests, plays = 0.0, evidence[0]
    stayed = [(True, True)]
    # Plain numbers, since arrays of two would take ten times as long.
    for here in evidence[1:]:
        ceased, began = plays - CHANGE_COST, rests - CHANGE_COST
        stayed.append((rests >= ceased, plays >= began))
        rests, plays = max(rests, ceased), max(plays, began) + here
    played = np.zeros(len(evidence), np.bool_)
    state = int(plays > rests)
    for bar in range(len(evidence) - 1, -1, -1):
        played[bar] = state == 1
        state = state if stayed[bar][state] else 1 - state
    return played


def _evidence(table: NDArray[np.bool_], struck: NDArray[np.bool_], phase: IntArray) -> FloatArray:
    """(n_bars,) log odds that the pattern is played, from each bar alone; 0 where the pattern rests."""
    wanted = struck[phase]
    hit = np.log(0.9 / STRAY_RATE) * (table & wanted).sum(axis=1)
    miss = np.log(0.1 / (1 - STRAY_RATE)) * (~table & wanted).sum(axis=1)
    log_odds: FloatArray = np.clip(hit + miss, -MOST_EVIDENCE, MOST_EVIDENCE)
    return log_odds


def _information_score(table: NDArray[np.bool_], pattern: Pattern, phase: IntArray) -> float:
    """Nats that the pattern saves over knowing only how often the sound is struck, less the cost of its rates."""
    rows = table[pattern.covered]
    n_bars, n_slots = rows.shape
    plain = np.clip(rows.mean(), 1e-3, 1 - 1e-3)
    saved = -_log_bernoulli(rows, np.full(n_slots, plain))
    for p in range(len(pattern.struck)):
        part = table[pattern.covered & (phase == p)]
        rate = np.clip((part.sum(axis=0) + 0.5) / (len(part) + 1), 1e-3, 1 - 1e-3)
        saved += _log_bernoulli(part, rate)
    used = int(rows.any(axis=0).sum())
    return saved - 0.5 * len(pattern.struck) * used * float(np.log(max(n_bars, 2)))


def _log_bernoulli(rows: NDArray[np.bool_], rate: FloatArray) -> float:
    return float((rows * np.log(rate) + ~rows * np.log(1 - rate)).sum())


def _falls_on_places(placed: Placed, pattern: Pattern, bars: Bars, least: float) -> bool:
    inside = pattern.covered[placed.bar]
    if not inside.any():
        return False
    return float(falls_on(placed, pattern, bars)[inside].mean()) >= least


def falls_on(placed: Placed, pattern: Pattern, bars: Bars) -> NDArray[np.bool_]:
    """(n_hits,) does the hit fall on a place of the pattern, covered or not?"""
    phase = pattern_bar(bars, len(pattern.struck))
    on = placed.slot >= 0
    result = np.zeros(len(placed.slot), np.bool_)
    result[on] = pattern.struck[phase[placed.bar[on]], placed.slot[on]]
    return result


def clarity_of(placed: Placed, pattern: Pattern, bars: Bars, n_slots: int) -> float:
    """How much more often the least struck place of the pattern is struck than the busiest other one: 0..1."""
    phase = pattern_bar(bars, len(pattern.struck))
    table = struck_table(placed, len(bars.beats), n_slots)
    rate = np.array([table[pattern.covered & (phase == p)].mean(axis=0) for p in range(len(pattern.struck))])
    other = rate[~pattern.struck].max() if not pattern.struck.all() else 0.0
    return float(np.clip(rate[pattern.struck].min() - other, 0.0, 1.0))
