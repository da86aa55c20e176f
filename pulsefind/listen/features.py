"""Spectral features for hits: a mel spectrogram, its compressed form, and its rises."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.ndimage import maximum_filter1d

from pulsefind.core.mapped import gathered, let_go, pieces
from pulsefind.core.records import Audio

Float32Array = NDArray[np.float32]
Bands = slice | NDArray[np.bool_]

HOP = 220  # 5 ms at 44.1 kHz: judged, hits are timed finer afterwards
WINDOW = 1024  # 23 ms: judged, the longest that separates the strokes of a roll
BANDS = 72  # judged: about eight an octave
LOW_HZ, HIGH_HZ = 30.0, 16000.0  # judged: from the bass drum to what lossy files keep

_BEND_HZ, _HZ_A_MEL = 1000.0, 200 / 3  # published: Slaney 1998, Auditory Toolbox
_BEND_MEL = _BEND_HZ / _HZ_A_MEL
_LOG_STEP = float(np.log(6.4)) / 27  # published: Slaney 1998

PIECE_FRAMES = 8192
"""Frames of a spectrogram handled at once (judged): an hour's take 200 MB, and each copy as much again."""

_BLOCK = 256  # judged: frames transformed at once, small enough for a processor's cache
_LET_GO_BLOCKS = 64  # judged: blocks after which memory that has been read is released
_FLOOR_SHARE = 0.003  # of the loudest band, -50 dB: judged, quieter is room and hiss
_RISE_FRAMES = 2  # 10 ms: judged, how long attacks take


@dataclass(frozen=True, slots=True)
class Spectrogram:
    """Mel magnitudes (n_frames, BANDS), frame k centred at sample k * HOP; centre_hz (BANDS,) of the bands."""

    magnitude: Float32Array
    centre_hz: NDArray[np.float64]
    frame_rate_hz: float

    def compressed(self) -> Compressed:
        """The same on a logarithmic scale above a floor at -50 dB from the loud frames, 0 below it."""
        if not len(self.magnitude):
            return Compressed(self.magnitude, np.float32(1))
        loudest = np.concatenate([piece.max(axis=1) for piece in pieces(self.magnitude, PIECE_FRAMES)])
        reference = float(np.percentile(loudest, 95)) + 1e-9
        return Compressed(self.magnitude, np.float32(reference * _FLOOR_SHARE))


@dataclass(frozen=True, slots=True)
class Compressed:
    """Magnitudes (n_frames, BANDS) on a logarithmic scale above a floor, computed on demand."""

    magnitude: Float32Array
    floor: np.float32

    def between(self, first: int, last: int) -> Float32Array:
        """(last - first, BANDS) of the frames from first to before last, which must be within the recording."""
        compressed: Float32Array = np.log1p(self.magnitude[first:last] / self.floor)
        return compressed

    def rises_between(self, first: int, last: int) -> Float32Array:
        """(last - first, BANDS) how far each band rises at the same frames."""
        begin = max(0, first - _RISE_FRAMES)
        return rises(self.between(begin, last))[first - begin :]

    def mean_rises(self, bands: Sequence[Bands]) -> list[Float32Array]:
        """For each choice of bands: (n_frames,) their mean rise."""
        means = [np.empty(len(self.magnitude), np.float32) for _ in bands]
        for first in range(0, len(self.magnitude), PIECE_FRAMES):
            last = min(first + PIECE_FRAMES, len(self.magnitude))
            rise = self.rises_between(first, last)
            for mean, chosen in zip(means, bands, strict=True):
                mean[first:last] = rise[:, chosen].mean(axis=1)
            let_go(self.magnitude)
        return means


def spectrogram(samples: Float32Array, rate_hz: int, where: str = "the samples") -> Spectrogram:
    """Mel magnitudes of a mono signal; those of more than 19 minutes are kept in a temporary file.

    Raises
    ------
    AudioError
        if there is no room for the file; where names the recording.
    """
    edge_hz = mel_edges_hz()
    bank = mel_bank(edge_hz, rate_hz)
    blocks = _magnitude_blocks(samples, WINDOW, np.arange(0, len(samples), HOP), bank)
    return Spectrogram(gathered(blocks, where).reshape(-1, BANDS), edge_hz[1:-1], rate_hz / HOP)


def spectrogram_of(audio: Audio) -> Spectrogram:
    """The spectrogram of a recording."""
    return spectrogram(audio.samples, audio.rate_hz, str(audio.path or "the samples"))


def mel_edges_hz() -> NDArray[np.float64]:
    """(BANDS + 2,) edges, evenly spaced in mel from LOW_HZ to HIGH_HZ: band k rises from edge k, peaks at edge k + 1.

    The scale is that of M. Slaney, "Auditory Toolbox" (1998): linear up to 1 kHz, logarithmic above.
    """
    low, high = (_mel(hz) for hz in (LOW_HZ, HIGH_HZ))
    mel = np.linspace(low, high, BANDS + 2)
    return np.where(mel < _BEND_MEL, mel * _HZ_A_MEL, _BEND_HZ * np.exp(_LOG_STEP * np.maximum(0.0, mel - _BEND_MEL)))


def _mel(hz: float) -> float:
    return hz / _HZ_A_MEL if hz < _BEND_HZ else _BEND_MEL + float(np.log(hz / _BEND_HZ)) / _LOG_STEP


def mel_bank(edge_hz: NDArray[np.float64], rate_hz: int) -> Float32Array:
    """(WINDOW / 2 + 1, BANDS) triangles of height 1 between the edges, over the bins of a window at that rate."""
    bin_hz = np.fft.rfftfreq(WINDOW, 1 / rate_hz)[:, None]
    rising = (bin_hz - edge_hz[:-2]) / (edge_hz[1:-1] - edge_hz[:-2])
    falling = (edge_hz[2:] - bin_hz) / (edge_hz[2:] - edge_hz[1:-1])
    return np.maximum(0.0, np.minimum(rising, falling)).astype(np.float32)


def framed_magnitude(samples: Float32Array, window: int, centre: NDArray[np.int64], bank: Float32Array) -> Float32Array:
    """Magnitude spectra of Hann windows centred on given samples, summed into bands: (n_centres, n_bands)."""
    result = np.zeros((len(centre), bank.shape[1]), dtype=np.float32)
    first = 0
    for block in _magnitude_blocks(samples, window, centre, bank):
        result[first : first + len(block)] = block
        first += len(block)
    return result


def _magnitude_blocks(
    samples: Float32Array, window: int, centre: NDArray[np.int64], bank: Float32Array
) -> Iterator[Float32Array]:
    shape = np.hanning(window + 1)[:-1].astype(np.float32)
    shape /= shape.sum() / 2
    used = np.flatnonzero(bank.any(axis=1))
    bins = slice(int(used[0]), int(used[-1]) + 1) if len(used) else slice(0, 0)
    for first in range(0, len(centre), _BLOCK):
        part = windows_of(samples, window, centre[first : first + _BLOCK] - window // 2)
        part *= shape
        yield np.abs(rfft(part, axis=1)[:, bins]) @ bank[bins]
        if first // _BLOCK % _LET_GO_BLOCKS == _LET_GO_BLOCKS - 1:
            let_go(samples)


def windows_of(samples: Float32Array, window: int, start: NDArray[np.int64]) -> Float32Array:
    """(n, window) samples from each start on; beyond the ends there is silence."""
    if len(samples) >= window and start.min() >= 0 and start.max() <= len(samples) - window:
        inside: Float32Array = np.lib.stride_tricks.sliding_window_view(samples, window)[start]
        return inside
    # Only this block is padded, not a copy of the whole signal.
    at = start[:, None] + np.arange(window)
    known = (at >= 0) & (at < len(samples))
    return np.where(known, samples[np.clip(at, 0, max(0, len(samples) - 1))], np.float32(0))


def rises(compressed: Float32Array) -> Float32Array:
    """How much each band rises within 10 ms, compared with the loudest of itself and its neighbours before.

    The neighbours keep vibrato and slides from looking like attacks: S. Böck and G. Widmer, "Maximum filter vibrato
    suppression for onset detection", DAFx 2013.
    """
    rise = np.zeros_like(compressed)
    before = maximum_filter1d(compressed[:-_RISE_FRAMES], 3, axis=1)
    np.subtract(compressed[_RISE_FRAMES:], np.maximum(before, 0.0, out=before), out=rise[_RISE_FRAMES:])
    return np.maximum(rise, 0.0, out=rise)
