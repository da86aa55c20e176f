"""Crossfades whose power stays constant, however much the two sounds agree.

Two unrelated sounds keep their power if their gains trace a quarter circle, but two equal ones then swell by 3 dB in
the middle. Dividing by the power that their agreement (correlation) predicts suits both, and everything in between.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import FloatArray

_LEAST_AGREEMENT = -0.5
"""Sounds that cancel each other more than this would need too much gain (judged)."""


def agreement(old: FloatArray, new: FloatArray) -> float:
    """The normalised correlation of two sounds of one shape, -1..1; 0 if either is silent."""
    power = float(np.sqrt(np.sum(np.square(old)) * np.sum(np.square(new))))
    return float(np.sum(old * new)) / power if power > 0 else 0.0


def gains(share: FloatArray, agreed: float) -> tuple[FloatArray, FloatArray]:
    """The gains of the old and the new sound when the fade has come so far: share (n,), 0..1."""
    out, into = np.cos(np.pi / 2 * share), np.sin(np.pi / 2 * share)
    even = 1 / np.sqrt(1 + 2 * out * into * max(agreed, _LEAST_AGREEMENT))
    return out * even, into * even
