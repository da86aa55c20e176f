"""Where in a recording there is a beat at all: not in silence, in what is left of a fade, in noise or in applause."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from pulsefind.core.mapped import pieces
from pulsefind.core.records import Audio, FloatArray, IntArray

FRAME_RATE_HZ = 100

SILENCE_DB = -60.0
"""Below the loud frames of the recording itself: nothing that anybody plays along to (judged)."""

TELLING = 0.1
"""A network that hears exact silence says up to 0.1 of its own accord (measured)."""

PLAIN, PLAIN_PEAKS = 0.35, 4
"""A stretch with so many peaks as high, and regular ones, is music with a beat. Each of 66 recordings has some, none of
nine kinds of noise, hum and random claps (measured on our own network)."""

REGULAR = 0.35
"""Correlation with itself a beat later. White and pink noise and random claps: at most 0.28 in the median stretch; each
of 66 recordings: at least 0.65 (measured)."""

_LOUD_PERCENTILE = 95
_GAP_FRAMES = 25
_STRETCH, _STEP = 600, 50
_SHORTEST_BEAT, _LONGEST_BEAT = 25, 150
_PIECE_FRAMES = 1 << 13


def without_silence(values: FloatArray, audio: Audio) -> FloatArray:
    """(n_frames, 2) the activations, 0 where the recording is silent for a quarter of a second or longer."""
    silent = silent_frames(audio)[: len(values)]
    values = values.copy()
    values[: len(silent)][silent] = 0.0
    return values


def silent_frames(audio: Audio) -> NDArray[np.bool_]:
    """(n_frames,) at 100 frames a second, by the recording's own level, so that its gain doesn't matter.

    A frame is silent if it and all within a quarter of a second are SILENCE_DB below the loud ones. A recording of
    zeros is all silent.
    """
    power = _power(audio)
    if not len(power):
        return np.zeros(0, np.bool_)
    limit = float(np.percentile(power, _LOUD_PERCENTILE)) * 10 ** (SILENCE_DB / 10)
    silent: NDArray[np.bool_] = maximum_filter1d(power, 2 * _GAP_FRAMES + 1, mode="constant") <= limit
    return silent


def _power(audio: Audio) -> FloatArray:
    """(n_frames,) mean square of each hundredth of a second; the last may be shorter."""
    step = audio.rate_hz // FRAME_RATE_HZ
    found = []
    for piece in pieces(audio.samples, _PIECE_FRAMES * step):
        first = np.arange(0, len(piece), step)
        found.append(np.add.reduceat(np.square(piece, dtype=np.float64), first) / np.diff(first, append=len(piece)))
    return np.concatenate(found) if found else np.zeros(0)


def sounding(values: FloatArray) -> slice:
    """The frames from the first to the last that tell of a beat; none where there is no beat.

    values: (n_frames, 2) activations at 100 frames a second. Stretches of six seconds are music where peaks are plain
    and come again a beat later; what lies before the first and after the last of them still counts as long as one or
    the other holds. Inside, anything may happen.
    """
    either = values.sum(axis=1)
    if len(either) < 2 * _SHORTEST_BEAT:
        return slice(0, 0)
    length = min(_STRETCH, len(either))
    start = np.unique(np.append(np.arange(0, len(either) - length + 1, _STEP), len(either) - length))
    plain = _plain_peaks(either, start, length) >= PLAIN_PEAKS
    regular = _regularity(either, start, length) >= REGULAR
    music = np.flatnonzero(plain & regular)
    if not len(music):
        return slice(0, 0)
    first, last = _stretched(plain | regular, int(music[0]), int(music[-1]))
    middle = start + length // 2
    low = 0 if first == 0 else (middle[first - 1] + middle[first]) // 2
    high = len(either) if last == len(start) - 1 else (middle[last] + middle[last + 1]) // 2
    frame = low + np.flatnonzero(either[low:high] >= TELLING)
    return slice(int(frame[0]), int(frame[-1]) + 1) if len(frame) else slice(0, 0)


def _stretched(good: NDArray[np.bool_], first: int, last: int) -> tuple[int, int]:
    """The range, made longer at both ends while what follows is good."""
    while first > 0 and good[first - 1]:
        first -= 1
    while last < len(good) - 1 and good[last + 1]:
        last += 1
    return first, last


def _plain_peaks(either: FloatArray, start: IntArray, length: int) -> IntArray:
    """(n_stretches,) how many plain peaks each stretch has; of two within a shortest beat the higher counts."""
    peak = (either == maximum_filter1d(either, _SHORTEST_BEAT)) & (either >= PLAIN)
    total = np.append(0, np.cumsum(peak))
    count: IntArray = total[start + length] - total[start]
    return count


def _regularity(either: FloatArray, start: IntArray, length: int) -> FloatArray:
    """(n_stretches,) the highest autocorrelation of each stretch at the length of any beat, 1 if it repeats exactly."""
    stretch = np.lib.stride_tricks.sliding_window_view(either, length)[start]
    stretch = stretch - stretch.mean(axis=1, keepdims=True)
    product = np.fft.irfft(np.abs(np.fft.rfft(stretch, 2 * length)) ** 2)
    lag = np.arange(_SHORTEST_BEAT, max(_SHORTEST_BEAT + 1, min(_LONGEST_BEAT, length // 2)))
    # As many products go into no two lags.
    share = product[:, lag] * length / (length - lag)
    regularity: FloatArray = share.max(axis=1) / np.maximum(product[:, 0], 1e-12)
    return regularity
