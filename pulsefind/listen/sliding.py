"""Spectra of windows that are moved on in small steps, in a few bins: what windows share is summed once."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import IntArray
from pulsefind.listen.features import Float32Array, framed_magnitude, windows_of

FEW_BINS = 1 / 40
"""Up to this share of the window's length, sums are quicker than Fourier transforms of each window (measured)."""

_PLACES = 256  # handled at once (judged): what is summed stays in a processor's cache


def sliding_magnitude(
    samples: Float32Array, window: int, centre: IntArray, shift: IntArray, bank: Float32Array
) -> Float32Array:
    """(n_centres, n_shifts, n_bands): what `framed_magnitude` gives for windows around each centre plus each shift.

    shift: in rising order. With few bins in the bank (window / 2 + 1, n_bands), each stretch between two edges of
    windows is transformed once, and a window's sum is the difference of two running sums (M. Covell and J. Richardson,
    "A new, efficient structure for the short-time Fourier transform", ICASSP 1991); the Hann window is three
    neighbouring bins of that. The two ways differ by rounding only.
    """
    used = np.flatnonzero(bank.any(axis=1))
    shape = (len(centre), len(shift), bank.shape[1])
    if not len(used) or used[-1] - used[0] >= FEW_BINS * window:
        every = (centre[:, None] + shift).ravel()
        return framed_magnitude(samples, window, every, bank).reshape(shape)
    sums = _Sums(window, shift, np.arange(used[0], used[-1] + 1))
    result = np.empty(shape, np.float32)
    for first in range(0, len(centre), _PLACES):
        here = slice(first, first + _PLACES)
        result[here] = sums.magnitude(samples, centre[here]) @ bank[used[0] : used[-1] + 1]
    return result


class _Sums:
    """For windows of one length at certain shifts: magnitudes in some neighbouring bins."""

    def __init__(self, window: int, shift: IntArray, bins: IntArray) -> None:
        self._window = window
        begin, end = shift - window // 2, shift + window // 2
        self._cut = np.unique(np.concatenate([begin, end]))
        self._begin, self._end = np.searchsorted(self._cut, begin), np.searchsorted(self._cut, end)
        turn = -2j * np.pi / window
        around = np.arange(bins[0] - 1, bins[-1] + 2)
        self._wave = _as_pairs(np.exp(turn * around * np.arange(self._cut[0], self._cut[-1])[:, None]))
        self._below, self._above = (np.exp(way * turn * begin)[:, None, None] / 4 for way in (1, -1))

    def magnitude(self, samples: Float32Array, centre: IntArray) -> Float32Array:
        """(n_centres, n_shifts, n_bins)."""
        cut = self._cut - self._cut[0]
        stretch = windows_of(samples, int(cut[-1]), centre + self._cut[0])
        running = np.zeros((len(cut), len(centre), self._wave.shape[1]))
        for k, (first, last) in enumerate(pairwise(cut)):
            np.add(running[k], stretch[:, first:last] @ self._wave[first:last], out=running[k + 1])
        plain: NDArray[np.complex128] = (running[self._end] - running[self._begin]).view(np.complex128)
        bent = plain[..., 1:-1] / 2 - self._below * plain[..., :-2] - self._above * plain[..., 2:]
        found = np.sqrt(bent.real**2 + bent.imag**2) / (self._window / 4)
        return np.asarray(found.transpose(1, 0, 2), np.float32)


def _as_pairs(values: NDArray[np.complex128]) -> Float32Array:
    """(n, k) complex numbers as (n, 2 k): real and imaginary parts in turn."""
    return np.ascontiguousarray(values).view(np.float64).astype(np.float32)
