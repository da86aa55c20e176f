"""Means with their intervals, paired differences, and the sign test. All are seeded: same scores, same
figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest

RESAMPLES = 2000
LEVEL = 0.95
SEED = 20


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean over n values with the ends of its 95 % bootstrap interval."""

    mean: float
    low: float
    high: float
    n: int


def mean_interval(values: Sequence[float]) -> Interval | None:
    """Return the mean and its percentile bootstrap interval (Efron and Tibshirani 1993); None without values.

    Tracks are drawn with replacement. One value alone has no interval: its ends are the value itself.
    """
    if not len(values):
        return None
    array = np.asarray(values, dtype=np.float64)
    drawn = np.random.default_rng(SEED).integers(0, len(array), (RESAMPLES, len(array)))
    means = array[drawn].mean(axis=1)
    low, high = np.quantile(means, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return Interval(float(array.mean()), float(low), float(high), len(array))


def paired_difference(first: Sequence[float | None], second: Sequence[float | None]) -> Interval | None:
    """Return the mean of first minus second over the tracks that have both, with its interval."""
    pairs = zip(first, second, strict=True)
    return mean_interval([a - b for a, b in pairs if a is not None and b is not None])


@dataclass(frozen=True, slots=True)
class Signs:
    """How many tracks rose, fell and stayed, and the two-sided p of the sign test (ties left out)."""

    rose: int
    fell: int
    same: int
    p: float


def sign_test(differences: Sequence[float], tie: float = 1e-9) -> Signs:
    """Return the sign test of the differences; p is 1 when nothing moved."""
    rose = sum(d > tie for d in differences)
    fell = sum(d < -tie for d in differences)
    p = float(binomtest(rose, rose + fell).pvalue) if rose + fell else 1.0
    return Signs(rose, fell, len(differences) - rose - fell, p)
