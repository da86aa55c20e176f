"""How takes come about: prior odds of each start, from the lengths of take and track alone.

A take exported with its song is as long as the song and starts with it. A recording that ran from before the song until
after it contains the song; one that was started late or stopped early lies within it. Some are cut to start or end with
the song. All shares are judged (no source): they decide between starts that the sound leaves open.
"""

from __future__ import annotations

import numpy as np

SAME_LENGTH_S = 0.05
"""Lengths that differ by less are the same (judged: encoders pad by up to about this much)."""

SAME_SAMPLES_S = 0.001
"""Lengths that differ by less are the same to the sample (judged: rates differ, and with them the last sample).
"""

_EXPORTED, _STARTS_WITH_IT, _ENDS_WITH_IT = 0.85, 0.2, 0.2
"""The share of takes exported with the song among those of its length, and of takes of other lengths that start with it
to the sample, and that end with it (judged with the seven real takes in view: eval/take/NOTES.md).
"""

_HOLDS_OR_WITHIN = 0.75
"""The share of all others that contain the song or lie within it (judged); the rest overlap it in any way."""

RESOLUTION_S = 0.02
"""Starts closer than this count as one (judged)."""

_LATENCY_SIGMA_S = 0.025
"""How far the playing may lie from an exact start: latency, habit, and a grid that is off (judged)."""


def exact_starts(take_s: float, track_s: float) -> tuple[float, ...]:
    """Track times at which a take of this length starts if it was cut together with the track."""
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
    """Log weight of playing that lies lag_s off an exact start."""
    return -0.5 * (lag_s / _LATENCY_SIGMA_S) ** 2
