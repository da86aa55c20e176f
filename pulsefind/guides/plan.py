"""The follow plan: which guide to lean on in which bar, and how long the song's phrases are."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from math import log

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import Bars, Guide

SWITCH_COST = 2.0
"""What a change of guide costs, in units of one bar of a perfect guide (judged): the new sound has to be found by ear
first. So a guide that is better by 0.4 has to last five bars before a player is sent to it, and five more before they
are sent back.
"""

PHRASES = {4: 0.6, 8: 0.25, 6: 0.07, 3: 0.04, 5: 0.04}
"""The phrase lengths considered, in bars, and how common each is (common practice, no source)."""

_ON_PHRASE = 0.8
"""How often a change of guide falls on the start of a phrase (judged); the rest fall anywhere else."""


@dataclass(frozen=True, slots=True)
class PlanPart:
    """Bars first_bar..last_bar (indices, both included) with one guide (its index), or None: alone."""

    first_bar: int
    last_bar: int
    guide: int | None


def follow_plan(guides: tuple[Guide, ...], n_bars: int) -> tuple[int | None, ...]:
    """Choose a guide (its index) for each bar; None where no guide covers it.

    The sequence maximises the sum of the scores of the guides in charge, less SWITCH_COST for every change from one
    guide to another (dynamic programming, Viterbi 1967). A change across a stretch alone costs nothing, since the
    player has to find a sound afresh there anyway. No bars give an empty tuple.
    """
    covered = _coverage(guides, n_bars)
    plan: list[int | None] = []
    for followed, bars in groupby(range(n_bars), key=lambda bar: bool(covered[:, bar].any())):
        run = list(bars)
        plan += _best_path(guides, covered[:, run[0] : run[-1] + 1]) if followed else [None] * len(run)
    return tuple(plan)


def plan_for(guides: tuple[Guide, ...], bars: Bars) -> tuple[int | None, ...]:
    """The follow plan of a song. A pickup, or a last bar cut short, goes with the bar next to it."""
    return tuple(bars.with_neighbours(list(follow_plan(guides, len(bars.beats)))))


def plan_parts(plan: tuple[int | None, ...]) -> tuple[PlanPart, ...]:
    """The plan as runs of bars with the same guide."""
    parts = []
    for guide, bars in groupby(range(len(plan)), key=lambda bar: plan[bar]):
        run = list(bars)
        parts.append(PlanPart(run[0], run[-1], guide))
    return tuple(parts)


def phrase_bars(plan: tuple[int | None, ...], first_full_bar: int) -> int:
    """The most likely phrase length, in bars: the one on whose starts the changes of the plan fall.

    first_full_bar is the index of bar 1. Without changes, the most common length is taken.
    """
    changes = [part.first_bar - first_full_bar for part in plan_parts(plan)[1:]]
    return max(PHRASES, key=lambda length: _phrase_score([c for c in changes if c > 0], length))


def _phrase_score(changes: list[int], length: int) -> float:
    """Log probability, up to a constant, of a phrase length and of the changes (in bars from bar 1) given it.

    Long phrases have few starts, so a change on one says more.
    """
    on = sum(change % length == 0 for change in changes)
    off = len(changes) - on
    elsewhere = (1 - _ON_PHRASE) * length / (length - 1)
    return log(PHRASES[length]) + on * log(_ON_PHRASE * length) + off * log(elsewhere)


def _coverage(guides: tuple[Guide, ...], n_bars: int) -> NDArray[np.bool_]:
    """(n_guides, n_bars) bool: can the guide be followed in the bar?"""
    covered = np.zeros((len(guides), n_bars), np.bool_)
    for row, guide in zip(covered, guides, strict=True):
        for stretch in guide.coverage:
            row[stretch.first_bar : stretch.last_bar + 1] = True
    return covered


def _best_path(guides: tuple[Guide, ...], covered: NDArray[np.bool_]) -> list[int | None]:
    """The best guide for each bar of a run in which at least one guide covers every bar."""
    score = np.array([guide.score for guide in guides])
    gain = np.where(covered, score[:, None], -np.inf)
    n_guides, n_bars = gain.shape
    change = SWITCH_COST * (1 - np.eye(n_guides))
    total = gain[:, 0]
    came_from = np.zeros((n_guides, n_bars), np.int64)
    for bar in range(1, n_bars):
        options = total[None, :] - change
        came_from[:, bar] = options.argmax(axis=1)
        total = options.max(axis=1) + gain[:, bar]
    path = [int(total.argmax())]
    for bar in range(n_bars - 1, 0, -1):
        path.append(int(came_from[path[-1], bar]))
    return list(reversed(path))
