"""Spectral features for hits: a mel spectrogram, its compressed form, and its rises."""

from __future__ import annotations

from dataclasses import dataclass

import librosa
import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.ndimage import maximum_filter1d

Float32Array = NDArray[np.float32]

HOP = 220
WINDOW = 1024
BANDS = 72
LOW_HZ, HIGH_HZ = 30.0, 16000.0

_BLOCK = 2048
_FLOOR_SHARE = 0.003


@dataclass(frozen=True, slots=True)
class Spectrogram:
    """Mel magnitudes (n_frames, BANDS), frame k centred at sample k * HOP; centre_hz (BANDS,) of the bands."""

    magnitude: Float32Array
    centre_hz: NDArray[np.float64]
    frame_rate_hz: float

    def compressed(self) -> Float32Array:
        """Magnitudes on a logarithmic scale above a floor at -50 dB from the loud frames, 0 below it."""
        if not len(self.magnitude):
            return self.magnitude
        reference = float(np.percentile(self.magnitude.max(axis=1), 95)) + 1e-9
        compressed: Float32Array = np.log1p(self.magnitude / np.float32(reference * _FLOOR_SHARE))
        return compressed


def spectrogram(samples: Float32Array, rate_hz: int) -> Spectrogram:
    """Mel magnitudes of a mono signal; computed in blocks, so memory stays near that of the result."""
    centre_hz = librosa.mel_frequencies(BANDS + 2, fmin=LOW_HZ, fmax=HIGH_HZ)[1:-1]
    bank = librosa.filters.mel(sr=rate_hz, n_fft=WINDOW, n_mels=BANDS, fmin=LOW_HZ, fmax=HIGH_HZ, norm=None).T
    magnitude = framed_magnitude(samples, WINDOW, np.arange(0, len(samples), HOP), bank.astype(np.float32))
    return Spectrogram(magnitude, centre_hz, rate_hz / HOP)


def framed_magnitude(samples: Float32Array, window: int, centre: NDArray[np.int64], bank: Float32Array) -> Float32Array:
    """Magnitude spectra of Hann windows centred on given samples, summed into bands: (n_centres, n_bands)."""
    shape = np.hanning(window + 1)[:-1].astype(np.float32)
    shape /= shape.sum() / 2
    result = np.zeros((len(centre), bank.shape[1]), dtype=np.float32)
    reach = np.arange(window) - window // 2
    for first in range(0, len(centre), _BLOCK):
        at = centre[first : first + _BLOCK, None] + reach
        inside = (at >= 0) & (at < len(samples))
        # Beyond the ends there is silence; only this block is padded, not a copy of the whole signal.
        part = np.where(inside, samples[np.clip(at, 0, max(0, len(samples) - 1))], np.float32(0))
        result[first : first + _BLOCK] = np.abs(rfft(part * shape, axis=1)) @ bank
    return result


def rises(compressed: Float32Array) -> Float32Array:
    """How much each band rises within 10 ms, compared with the loudest of it and its neighbours before.

    The neighbours keep vibrato and slides from looking like attacks: S. Böck and G. Widmer, "Maximum filter vibrato
    suppression for onset detection", DAFx 2013.
    """
    rise = np.zeros_like(compressed)
    before = maximum_filter1d(compressed[:-2], 3, axis=1)
    np.subtract(compressed[2:], np.maximum(before, 0.0, out=before), out=rise[2:])
    return np.maximum(rise, 0.0, out=rise)
