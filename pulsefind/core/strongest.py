"""Of several onsets of the same stroke, the strongest."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import IntArray


def strongest(at: NDArray[Any], strength: NDArray[Any], apart: float) -> IntArray:
    """Indices (n,), rising, of the values left if none may follow the one kept before it by less than `apart`.

    at (n,) is sorted, in the same unit as apart; of two values too close together the stronger one stays, of equals the
    first. Empty input gives an empty array.
    """
    kept: list[int] = []
    for k in range(len(at)):
        if kept and at[k] - at[kept[-1]] < apart:
            if strength[k] > strength[kept[-1]]:
                kept[-1] = k
        else:
            kept.append(k)
    return np.array(kept, dtype=np.int64)
