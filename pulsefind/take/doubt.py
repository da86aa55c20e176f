"""How likely a doubtful stroke was played: what the take network half hears, and what rises without being named.

Neither says much alone: under a wash the network misses soft hats that rise clearly, and a room's ringing rises where
nobody struck. Their log odds are added up, weighted as a logistic regression on known strokes weights them.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.nearest import distance
from pulsefind.core.records import FloatArray

Stroke = tuple[float, str, float, float]
"""When, what kind, how loud in dB, and the log odds that it was played."""

SAME_ATTACK_S = 0.025
"""Strokes of one kind this close together are one stroke, and an attack this close to a stroke is its own: half a
network frame and the filters' delay, with room to spare (judged).
"""

RISE_LOG_ODDS, MOST_RISE_SCORE = (-4.29, 0.88), 8.0
"""Log odds of an attack beside which the network names nothing: at a score of its rises (strokes.py) of 0, and per unit
of it, up to the most that tells (judged). Fitted by logistic regression to 60 performances, on a kit made by code and
on a SoundFont's: `python -m eval take-fit doubt --takes 60 --font FluidR3_GM.sf2`. That was with the network before
take-1; fitted anew to it they match less, and were left (eval/take/NOTES.md).
"""

BOTH_LOG_ODDS, OF_NETWORK, OF_ATTACK = 3.31, 0.94, 0.71
"""Log odds of a drum that the network only half hears where nothing else is struck: a level, and what its own log odds
and those of the attack beside it count. Fitted together with RISE_LOG_ODDS.
"""

SURE_LOG_ODDS = 2.94
"""From here on it was played: nineteen times in twenty (judged)."""

UNNAMED_LOG_ODDS = -1.0
"""An attack beside which the network names nothing is never likelier than this, one in four, by sound alone: real rooms
ring, which the kits of the fit don't (judged, since on real takes most of the clear ones were not played).
"""


def by_rises(score: float) -> float:
    """Log odds of an attack of this score, if the network names nothing beside it."""
    return RISE_LOG_ODDS[0] + RISE_LOG_ODDS[1] * min(score, MOST_RISE_SCORE)


def by_both(half_heard: list[Stroke], sure: list[Stroke], attacks: list[Stroke]) -> list[Stroke]:
    """What the network half hears, in order, by network and attack; attacks are those of the rises, with by_rises."""
    found: list[Stroke] = []
    for row, attack in zip(sorted(half_heard), own_attacks(half_heard, sure, attacks), strict=True):
        log_odds = row[3] if attack is None else BOTH_LOG_ODDS + OF_NETWORK * row[3] + OF_ATTACK * attack
        found.append((*row[:3], log_odds))
    return found


def own_attacks(half_heard: list[Stroke], sure: list[Stroke], attacks: list[Stroke]) -> list[float | None]:
    """For each half heard stroke, in order, the log odds of the clearest attack beside it, or of no rise at all.

    None beside what is surely struck, or half heard more clearly: the attack is that stroke's, and says nothing.
    """
    if not half_heard:
        return []
    ordered, by_time = sorted(half_heard), sorted(attacks)
    time_s, by_network = np.array([row[0] for row in ordered]), np.array([row[3] for row in ordered])
    attack_s, by_attack = np.array([row[0] for row in by_time]), np.array([row[3] for row in by_time])
    taken = np.zeros(len(time_s), np.bool_)
    if sure:
        taken = distance(np.unique([row[0] for row in sure]), time_s) <= SAME_ATTACK_S
    found: list[float | None] = []
    for k, (away, mine) in enumerate(zip(_near(time_s, time_s), _near(attack_s, time_s), strict=True)):
        if taken[k] or by_network[k] < by_network[away].max():
            found.append(None)
        else:
            found.append(float(by_attack[mine].max()) if mine.stop > mine.start else by_rises(0.0))
    return found


def _near(among_s: FloatArray, time_s: FloatArray) -> list[slice]:
    """For each time the slice of sorted ones that belong to the same attack."""
    first = np.searchsorted(among_s, time_s - SAME_ATTACK_S)
    last = np.searchsorted(among_s, time_s + SAME_ATTACK_S, side="right")
    return [slice(int(a), int(b)) for a, b in zip(first, last, strict=True)]
