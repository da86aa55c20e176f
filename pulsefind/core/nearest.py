"""Nearest neighbours among sorted values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import IntArray


def nearest(among: NDArray[Any], values: NDArray[Any]) -> IntArray:
    """(n,) index in a sorted, non-empty array of the value nearest to each of the values (n,)."""
    right = np.clip(np.searchsorted(among, values), 1, max(1, len(among) - 1))
    left = right - 1
    right = np.minimum(right, len(among) - 1)
    index: IntArray = np.where(values - among[left] <= among[right] - values, left, right)
    return index


def distance(among: NDArray[Any], values: NDArray[Any]) -> NDArray[Any]:
    """(n,) distance from each of the values (n,) to the nearest one in a sorted, non-empty array."""
    apart: NDArray[Any] = np.abs(among[nearest(among, values)] - values)
    return apart
