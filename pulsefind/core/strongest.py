"""Of several onsets of the same stroke, the strongest."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import IntArray


def strongest(at: NDArray[Any], strength: NDArray[Any], apart: float) -> IntArray:
    """Indices (n,), rising, of what is left when no value may follow the one kept before it by less than `apart`.

    at (n,) is sorted, in any unit, and apart in the same; of two that lie too close the stronger stays, of equals the
    first. Nothing gives nothing.
    """
    kept: list[int] = []
    for k in range(len(at)):
        if kept and at[k] - at[kept[-1]] < apart:
            if strength[k] > strength[kept[-1]]:
                kept[-1] = k
        else:
            kept.append(k)
    return np.array(kept, dtype=np.int64)
