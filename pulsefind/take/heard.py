"""What can be heard in a track, moment by moment: how strongly something begins, percussive or pitched.

Even where the beats are counted half a beat off, every note of the band sounds where the band played it. So a take is
also laid on the onsets themselves: the rise of the log magnitude spectrum (spectral flux; Bello et al. 2005), low and
high separately, each relative to what is usual within two seconds around it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from pulsefind.core.mapped import let_go
from pulsefind.core.records import Audio, FloatArray, IntArray

RATE_HZ = 200.0
"""Frames per second: 5 ms, finer than anybody plays a rhythm (judged)."""

LOW_BELOW_HZ = 400.0
"""Bass and low toms lie below it, what sounds with snares and cymbals above (common practice, no source)."""

SCATTERED = 0.3
"""The share of strokes that answer nothing in the track (judged on real takes)."""

_WINDOW = 1024  # samples, 23 ms at 44.1 kHz: judged
_EDGES_HZ = (0.0, 150.0, 400.0, 1000.0, 2500.0, 6000.0, 16000.0)  # judged: some one and a half octaves a band
_LEVEL = 1000.0
"""Magnitudes are compressed as log(1 + 1000 x / loudest): 60 dB of range (judged)."""
_RISE_FRAMES = 3  # judged: a rise is measured over 15 ms
_SMOOTH_FRAMES = 2.0
"""Standard deviation of the smoothing, 10 ms: a band plays no tighter (judged)."""
_AROUND_S, _FLOOR_SHARE = 2.0, 0.1  # judged: what counts as around, and a floor as a share of the whole track's mean
_PIECE_FRAMES = 4000  # judged: frames worked on at a time
_SAMPLED, _SAMPLED_FRAMES = 97, 200  # judged: one frame in so many tells how loud the track gets, so many at a time
_STRONG_PERCENTILE, _CLEAR_SHARE = 99, 0.3
"""A clear onset rises a third as far as the strong ones, about one frame in a hundred (judged)."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Onset density of a track, (n,) each at RATE_HZ from its first sample: 1 is usual there, 0 nothing at all.

    low and high are below and above LOW_BELOW_HZ. first_s and last_s: when the first and the last clear onset sound; 0
    and the end where none is clear.
    """

    low: FloatArray
    high: FloatArray
    first_s: float
    last_s: float


def hear(track: Audio) -> Heard:
    """Find everything that begins in a track. An empty or silent one gives no frames."""
    flux = _flux(track)
    split = _EDGES_HZ.index(LOW_BELOW_HZ)
    low, high = flux[:split].mean(axis=0), flux[split:].mean(axis=0)
    whole = gaussian_filter1d(flux.mean(axis=0), _SMOOTH_FRAMES) if flux.shape[1] else flux.mean(axis=0)
    strong = float(np.percentile(whole, _STRONG_PERCENTILE)) if len(whole) else 0.0
    clear = np.flatnonzero(whole >= _CLEAR_SHARE * strong) if strong else np.zeros(0, np.int64)
    first_s, last_s = (clear[0] / RATE_HZ, clear[-1] / RATE_HZ) if len(clear) else (0.0, track.duration_s)
    return Heard(_against_usual(low), _against_usual(high), float(first_s), float(last_s))


def _flux(track: Audio) -> FloatArray:
    """(bands, n) rises of the compressed spectrum; a long track is read piece by piece."""
    hop = track.rate_hz / RATE_HZ
    n = int(len(track.samples) / hop)
    if not n or not np.any(track.samples):
        return np.zeros((len(_EDGES_HZ) - 1, 0))
    window = np.hanning(_WINDOW)
    hz = np.fft.rfftfreq(_WINDOW, 1 / track.rate_hz)
    band = [(hz >= low) & (hz < high) for low, high in pairwise(_EDGES_HZ)]
    starts = np.round(np.arange(n) * hop).astype(np.int64) - _WINDOW // 2
    few = starts[::_SAMPLED]
    groups = np.array_split(few, -(-len(few) // _SAMPLED_FRAMES))
    loudest = max(float(_magnitudes(track.samples, group, window).max()) for group in groups) + 1e-12
    result = np.zeros((len(band), n))
    for first in range(0, n, _PIECE_FRAMES):
        # Each piece looks back a few frames, so that a rise across its edge is seen whole.
        back = max(0, first - _RISE_FRAMES)
        size = np.log1p(_LEVEL * _magnitudes(track.samples, starts[back : first + _PIECE_FRAMES], window) / loudest)
        before = np.vstack([np.repeat(size[:1], _RISE_FRAMES, axis=0), size])[: len(size)]
        if first == 0:
            before[:_RISE_FRAMES] = 0.0
        rise = np.maximum(0.0, size - before)[first - back :]
        for k, member in enumerate(band):
            result[k, first : first + len(rise)] = rise[:, member].mean(axis=1)
    return result


def _magnitudes(samples: NDArray[np.float32], starts: IntArray, window: FloatArray) -> FloatArray:
    """Spectra of the frames that begin there; there is silence before and after the recording."""
    first, last = max(0, int(starts[0])), min(len(samples), int(starts[-1]) + _WINDOW)
    part = np.pad(samples[first:last], (first - int(starts[0]), int(starts[-1]) + _WINDOW - last))
    let_go(samples)
    frames = part[(starts - starts[0])[:, None] + np.arange(_WINDOW)]
    size: FloatArray = np.abs(np.fft.rfft(frames * window, axis=1))
    return size


def _against_usual(rise: FloatArray) -> FloatArray:
    if not len(rise):
        return rise
    smooth = gaussian_filter1d(rise, _SMOOTH_FRAMES)
    usual = uniform_filter1d(smooth, int(_AROUND_S * RATE_HZ)) + _FLOOR_SHARE * smooth.mean() + 1e-12
    density: FloatArray = smooth / usual
    return density
