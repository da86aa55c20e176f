"""Hands and feet compared: a limb that is uneven by itself, one that is ahead of another, and strokes that fade.

Two drums struck on the same place share whatever the whole player does (creeping, slips, wandering); what differs
between them is down to the limbs. So limbs are compared on shared places only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pulsefind.core.records import FloatArray
from pulsefind.take.records import Played

UNEVEN_MS = 8.0
"""Own spread of a limb from which it is called uneven (judged)."""

UNEVEN_RATIO = 2.5
"""And its variance over the other limbs' (judged: F with 40 and 40 degrees of freedom exceeds 2.1 once in a
hundred).
"""

APART_MS = 19.0
"""Drums whose means lie further apart on the same places are heard as two (drummers notice 19 to 24 ms: from
memory).
"""

FADING_DB, FADING_VELOCITY = 6.0, 20.0
"""A drum that ends this much softer than it began has faded: half the amplitude (judged)."""

_FEWEST_SHARED, _FEWEST_LEVELS = 16, 32  # judged: places that two drums share, and strokes whose levels are known
_CLEAR_ERRORS = 5.0  # judged: standard errors by which a drum must fade
_PAIRS = (("kick", "hat"), ("snare", "hat"), ("kick", "cymbal"), ("snare", "cymbal"))


@dataclass(frozen=True, slots=True)
class Uneven:
    """A limb whose strokes spread by themselves: kind of drum, own spread in ms."""

    kind: str
    spread_ms: float


@dataclass(frozen=True, slots=True)
class Apart:
    """Two drums on the same places: the first lies ahead_ms before the second in the mean."""

    first: str
    second: str
    ahead_ms: float


def uneven_limb(played: Played, usual_ms: FloatArray) -> Uneven | None:
    """The one limb that spreads clearly more than the others; usual_ms (n,): the habit of each hit's place and kind."""
    over = _over_ring(played)
    if over is None:
        return None
    own_ms = played.offset_ms - usual_ms
    kick, snare = _differences(played, own_ms, "kick", over), _differences(played, own_ms, "snare", over)
    if min(len(kick), len(snare)) < _FEWEST_SHARED:
        return None
    by_kick, by_snare = _power(kick), _power(snare)
    # Each is the sum of two limbs' variances; what both have in common is the hand on the hat.
    hand = min(by_kick, by_snare)
    for kind, power in (("kick", by_kick), ("snare", by_snare)):
        own = power - hand
        if own >= UNEVEN_MS**2 and power >= UNEVEN_RATIO * hand:
            return Uneven(kind, float(np.sqrt(own)))
    if hand >= UNEVEN_MS**2 and max(by_kick, by_snare) < UNEVEN_RATIO * hand and _alone_too(played, own_ms, over, hand):
        return Uneven(over, float(np.sqrt(hand)))
    return None


def drums_apart(played: Played) -> Apart | None:
    """The two drums that lie furthest apart on shared places, if that is clearly heard."""
    best: Apart | None = None
    for low, high in _PAIRS:
        differences = _differences(played, played.offset_ms, low, high)
        if len(differences) < _FEWEST_SHARED:
            continue
        mean = float(np.mean(differences))
        error = float(np.std(differences)) / np.sqrt(len(differences))
        if abs(mean) - APART_MS < error or (best is not None and abs(mean) <= best.ahead_ms):
            continue
        best = Apart(low, high, -mean) if mean < 0 else Apart(high, low, mean)
    return best


def fading_kind(played: Played, level_unit: str) -> tuple[str, float] | None:
    """The drum that softens most over the take, and by how much; None if none clearly does."""
    least = FADING_VELOCITY if level_unit == "velocity" else FADING_DB
    kinds = np.array(played.kind)
    found: list[tuple[float, str]] = []
    for kind in ("snare", "kick", "hat", "cymbal"):
        member = (kinds == kind) & ~played.ghost
        if member.sum() < _FEWEST_LEVELS:
            continue
        t, level = played.nominal_s[member], played.level[member]
        along = (t - t.mean()) / (t[-1] - t[0])
        slope = float(along @ (level - level.mean()) / (along @ along))
        rest = level - level.mean() - slope * along
        error = float(np.sqrt(rest @ rest / (len(t) - 2) / (along @ along)))
        if -slope >= least and -slope >= _CLEAR_ERRORS * error:
            found.append((-slope, kind))
    return (max(found)[1], max(found)[0]) if found else None


def _over_ring(played: Played) -> str | None:
    """What the hand keeps time on: the hat, or the cymbals if they are struck more often."""
    count = {kind: played.kind.count(kind) for kind in ("hat", "cymbal")}
    kind = max(count, key=lambda k: count[k])
    return kind if count[kind] else None


def _differences(played: Played, offset_ms: FloatArray, low: str, high: str) -> FloatArray:
    """(n,) offset of one drum less the other's, on every place where both were struck."""
    above = {float(t): o for t, o, k in zip(played.nominal_s, offset_ms, played.kind, strict=True) if k == high}
    pairs = zip(played.nominal_s, offset_ms, played.kind, strict=True)
    return np.array([o - above[float(t)] for t, o, k in pairs if k == low and float(t) in above])


def _alone_too(played: Played, own_ms: FloatArray, over: str, power: float) -> bool:
    """Does the hand vary from stroke to stroke as much as it does against the feet? If not, the feet are uneven too."""
    mine = own_ms[np.array([kind == over for kind in played.kind])]
    return len(mine) > _FEWEST_SHARED and float(np.var(np.diff(mine))) >= power


def _power(values: FloatArray) -> float:
    """Variance about the median without the furthest twentieth, where flams and misread strokes end up."""
    away = np.sort(np.square(values - np.median(values)))
    return float(np.mean(away[: max(1, int(0.95 * len(away)))])) / 0.76
