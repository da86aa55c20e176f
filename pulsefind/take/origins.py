"""How takes come about, as odds before anything was heard: from the lengths of take and track alone.

A take exported with its song is as long as the song and starts with it. A recorder that ran before the song and after
it holds the song; one that was started late, or stopped early, lies within it. Some are cut so that they start, or end,
with the song. All shares are judged (no source): they say how much one way is to be preferred where the sound leaves
several open.
"""

from __future__ import annotations

import numpy as np

SAME_LENGTH_S = 0.05
"""Lengths that differ by no more are the same: encoders pad by up to so much."""

_EXPORTED, _STARTS_WITH_IT, _ENDS_WITH_IT = 0.85, 0.2, 0.2
"""Shares of takes exported with the song among those of its length; and of takes of another length that start with it
to the sample, and that end with it.
"""

_HOLDS_OR_WITHIN = 0.75
"""Of all others this share holds the song or lies within it; the rest overlaps it anyhow."""

RESOLUTION_S = 0.02
"""Starts are told apart by so much."""

_LATENCY_SIGMA_S = 0.025
"""How far the playing may lie beside an exact start: latency of the chain, habit, and a grid that is off (judged)."""


def exact_starts(take_s: float, track_s: float) -> tuple[float, ...]:
    """Track times at which a take of that length starts if it was cut together with the track."""
    if abs(take_s - track_s) <= SAME_LENGTH_S:
        return (0.0,)
    return (0.0, track_s - take_s)


def log_prior(start_s: float, exact: bool, take_s: float, track_s: float) -> float:
    """Log probability of a start (to RESOLUTION_S); exact: it is one of exact_starts."""
    same = abs(take_s - track_s) <= SAME_LENGTH_S
    if exact:
        share = _EXPORTED if same else _STARTS_WITH_IT if start_s == 0.0 else _ENDS_WITH_IT
        return float(np.log(share))
    left = 1 - (_EXPORTED if same else _STARTS_WITH_IT + _ENDS_WITH_IT)
    low, high = sorted((0.0, track_s - take_s))
    holds = 0.0 if same else _HOLDS_OR_WITHIN
    nested = holds / (high - low) if low <= start_s <= high and not same else 0.0
    anyhow = (1 - holds) / (take_s + track_s)
    return float(np.log(left * RESOLUTION_S * (nested + anyhow)))


def log_lag(lag_s: float) -> float:
    """Log weight of a playing that lies lag_s beside an exact start, in a row of strokes."""
    return -0.5 * (lag_s / _LATENCY_SIGMA_S) ** 2
