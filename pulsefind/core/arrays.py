"""Arrays in records, checked and made read-only; and runs of True."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def freeze(record: object, *names: str, dtype: type = np.float64, ndim: int = 1) -> None:
    """While a frozen record is being made, replace fields by read-only copies of one type and number of axes.

    Raises
    ------
    ValueError
        if one has another number of axes, or holds NaN or infinity.
    """
    for name in names:
        array: NDArray[Any] = np.array(getattr(record, name), dtype=dtype, ndmin=ndim)
        if array.ndim != ndim:
            raise ValueError(f"{name} needs {ndim} axes, has {array.ndim}")
        if array.dtype.kind == "f" and not np.isfinite(array).all():
            raise ValueError(f"{name} holds NaN or infinity")
        array.setflags(write=False)
        object.__setattr__(record, name, array)


def check_increasing(record: object, name: str, strictly: bool = True) -> None:
    """Raise ValueError if times go backwards (or, strictly, stand still)."""
    steps = np.diff(getattr(record, name))
    if (steps < 0).any() or (strictly and (steps == 0).any()):
        raise ValueError(f"{name} must increase; it does not at index {int(np.argmin(steps)) + 1}")


def check_lengths(record: object, *names: str) -> int:
    """The length that fields share; ValueError if they differ."""
    lengths = {len(getattr(record, name)) for name in names}
    if len(lengths) > 1:
        raise ValueError(f"{', '.join(names[:-1])} and {names[-1]} differ in length")
    return lengths.pop()


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index (both included) of every run of True: [F, T, T, F, T] gives [(1, 2), (4, 4)]."""
    edge = np.flatnonzero(np.diff(np.r_[0, np.asarray(mask, np.int8), 0]))
    return [(int(first), int(end) - 1) for first, end in zip(edge[::2], edge[1::2], strict=True)]


def most_common(values: IntArray) -> int:
    """The non-negative integer that occurs most often, the smallest of several; 0 for an empty array."""
    return int(np.bincount(values).argmax()) if len(values) else 0
