"""How far players habitually are ahead of the beats or behind them."""

from __future__ import annotations

import numpy as np

from pulsefind.core.arrays import FloatArray

LEAN_REACH_MS = 60.0
"""No player or ensemble leans by more than this (judged)."""


def lean_ms(after_ms: FloatArray, beat_ms: FloatArray) -> float:
    """The median distance from the beat of the hits near one: negative if they are ahead, 0 without any.

    after_ms, beat_ms: (n,) how long after the last beat each hit comes, and how long that beat lasts.
    """
    away_ms = np.where(after_ms > beat_ms / 2, after_ms - beat_ms, after_ms)
    near = np.abs(away_ms) < LEAN_REACH_MS
    return float(np.median(away_ms[near])) if near.any() else 0.0


def lean_of_ms(time_s: FloatArray, beat_s: FloatArray) -> float:
    """The same from times of hits (n,) and beats (m,), in seconds; 0 with fewer than two beats."""
    if len(beat_s) < 2:
        return 0.0
    k = np.clip(np.searchsorted(beat_s, time_s, side="right") - 1, 0, len(beat_s) - 2)
    return lean_ms(1000 * (time_s - beat_s[k]), 1000 * (beat_s[k + 1] - beat_s[k]))
