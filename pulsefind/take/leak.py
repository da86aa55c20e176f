"""Where a take lies on its track when the track can be heard in it.

Both are flattened in time and frequency, so that a loud drum weighs no more than the leak between two strokes (the
phase transform of Knapp and Carter 1976, cell by cell). Pieces of the take are correlated with the whole track by FFT.
A clock error shifts the peaks of later pieces: the pieces are summed along every plausible clock error, and a line
through their own peaks then gives start and clock to a fraction of a millisecond.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d
from scipy.signal import istft, stft

from pulsefind.core.records import Audio, FloatArray

CLOCK_PPM = 300.0
"""No recorder's clock is further off (quartz: some 100 ppm at worst; common practice, no source)."""

_RATE_HZ = 4000
"""Speech and music leak mostly below 2 kHz, and peaks are read to a fraction of its 0.25 ms (judged)."""

_PIECE_S, _MOST_PIECES = 6.0, 24
"""Pieces so short that a clock off by CLOCK_PPM shifts nothing within one by more than two bins (arithmetic); and how
many are correlated at most (judged).
"""
_BIN = 4  # samples: a bin is a millisecond (arithmetic)
_CLOCK_STEP_PPM = 25.0  # over ten minutes one step is 15 ms (arithmetic)

_CLEAR_PEAK, _CLEAR_REPEAT, _OWN_PEAK = 9.0, 20.0, 5.0
"""Heights, in standard deviations of the correlation, of a peak that counts, of one in a track that repeats itself, and
of a single piece's (judged).
"""
_RIVAL_SHARE = 0.8  # judged: of the highest peak's height, from which another is its rival

_REACH_S, _APART_S = 0.006, 0.03  # judged: how far a piece's peak may lie from the whole's; peaks closer are one
_FLATTEN = 0.9  # judged: exponent by which cells are flattened; 1 would be the phase transform
_AS_GOOD = 0.95  # judged: of the best clock's height, from which another clock fits as well

_PEAK_SCATTER_S = 0.0003  # of single pieces' peaks: about a sample (arithmetic)
_USUAL_PPM = 100.0  # of clocks (quartz; common practice, no source)


@dataclass(frozen=True, slots=True)
class Leak:
    """A start found by leak: track time at which the take starts, clock error, and how far the peak stands out.

    rivals: other starts with peaks nearly as high (in a track that repeats to the sample).
    """

    starts_at_s: float
    clock_ppm: float
    height: float
    rivals: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Correlations of pieces of the take with the track: (n_pieces, n_lags); start_s (n_pieces,) in the take.

    Lag zero means that the piece's own start lies on the track's first sample.
    """

    correlation: NDArray[np.float32]
    start_s: FloatArray
    first_lag_s: float


def find_leak(track: Audio, take: Audio) -> Leak | None:
    """Look for the track in the take. None: it isn't heard in it, or one of them is too short to tell."""
    piece_s = min(_PIECE_S, take.duration_s / 2, track.duration_s)
    if piece_s < 1.0 or not np.any(take.samples) or not np.any(track.samples):
        return None
    pieces = _correlate(_flat(track), _flat(take), piece_s)
    if not len(pieces.start_s):
        return None
    score, clocks, first_start_s = _sum_along_clocks(pieces)
    best_clock, best = np.unravel_index(int(score.argmax()), score.shape)
    height = float(score[best_clock, best])
    if height < _CLEAR_PEAK:
        return None
    # A short take says little about its clock: of those that fit about as well, the one least off is taken.
    as_good = np.flatnonzero(score.max(axis=1) >= _AS_GOOD * height)
    best_clock = as_good[np.argmin(np.abs(clocks[as_good]))]
    best = score[best_clock].argmax()
    rival_bins = _rivals(score.max(axis=0), int(best), height)
    if rival_bins and height < _CLEAR_REPEAT:
        # Tones that two recordings have in common give many low peaks; a track that repeats gives high ones.
        return None
    rivals = tuple(first_start_s + k * _BIN / _RATE_HZ for k in rival_bins)
    starts_at_s = first_start_s + float(best) * _BIN / _RATE_HZ
    starts_at_s, clock_ppm = _refine(pieces, starts_at_s, float(clocks[best_clock]))
    return Leak(starts_at_s, clock_ppm, height, rivals)


def _flat(audio: Audio) -> FloatArray:
    """The recording at 4 kHz, with all cells of its spectrogram brought close to one level."""
    samples = soxr.resample(audio.samples.astype(np.float64), audio.rate_hz, _RATE_HZ)
    window = 256
    if len(samples) < window:
        return np.zeros(0)
    _, _, cells = stft(samples, _RATE_HZ, nperseg=window, noverlap=window * 3 // 4)
    size = np.abs(cells)
    floor = 1e-4 * float(np.percentile(size, 95)) + 1e-12
    _, flat = istft(cells / (size + floor) ** _FLATTEN, _RATE_HZ, nperseg=window, noverlap=window * 3 // 4)
    result: FloatArray = flat[: len(samples)]
    return result


def _correlate(track: FloatArray, take: FloatArray, piece_s: float) -> _Pieces:
    length = int(piece_s * _RATE_HZ)
    count = max(1, min(_MOST_PIECES, len(take) // length))
    first = np.linspace(0, max(0, len(take) - length), count).astype(np.int64)
    first = np.array([f for f in first if np.any(take[f : f + length])], dtype=np.int64)
    size = next_fast_len(len(track) + 2 * length, real=True)
    spectrum = rfft(track, size)
    # Lags -length .. len(track): a piece may begin before the track does.
    n_lags = len(track) + length
    rows: NDArray[np.float32] = np.empty((len(first), n_lags), dtype=np.float32)
    for i, f in enumerate(first):
        # The correlation of piece and track at lag k lies at index k; negative lags wrap to the end.
        both = irfft(spectrum * np.conj(rfft(take[f : f + length], size)), size)
        row = np.r_[both[-length:], both[: len(track)]]
        rows[i] = row / (np.std(row) + 1e-30)
    return _Pieces(rows, first / _RATE_HZ, -length / _RATE_HZ)


def _sum_along_clocks(pieces: _Pieces) -> tuple[FloatArray, FloatArray, float]:
    """How far each start stands out, (n_clocks, n_starts), the clocks in ppm, and the track time of the first start."""
    n = pieces.correlation.shape[1] // _BIN
    pooled = np.abs(pieces.correlation[:, : n * _BIN]).reshape(len(pieces.start_s), n, _BIN).max(axis=2)
    pooled = maximum_filter1d(pooled, 3, axis=1)
    clocks = np.arange(-CLOCK_PPM, CLOCK_PPM + 1, _CLOCK_STEP_PPM)
    bins_per_s = _RATE_HZ / _BIN
    longest = int(np.ceil(pieces.start_s[-1] * bins_per_s * (1 + 1e-6 * CLOCK_PPM))) + 1
    rest = float(np.mean(pooled))
    result = np.empty((len(clocks), n + longest))
    for c, clock in enumerate(clocks):
        total = np.full(n + longest, 0.0)
        for row, start_s in zip(pooled, pieces.start_s, strict=True):
            # A piece at take time s starts on the track at start + s / (1 + clock).
            shift = round(start_s / (1 + 1e-6 * clock) * bins_per_s)
            total[longest - shift : longest - shift + n] += row - rest
        result[c] = total / np.sqrt(len(pieces.start_s))
    spread = float(np.std(result))
    first_start_s = pieces.first_lag_s - longest / bins_per_s
    return (result - float(np.median(result))) / (spread + 1e-12), clocks, first_start_s


def _rivals(score: FloatArray, best: int, height: float) -> tuple[int, ...]:
    apart = int(_APART_S * _RATE_HZ / _BIN)
    peak = (score == maximum_filter1d(score, 2 * apart + 1)) & (score >= _RIVAL_SHARE * height)
    others = [int(k) for k in np.flatnonzero(peak) if abs(int(k) - best) > apart]
    return tuple(sorted(others, key=lambda k: -score[k])[:5])


def _refine(pieces: _Pieces, starts_at_s: float, clock_ppm: float) -> tuple[float, float]:
    """Start and clock from a robust line through the peaks of the single pieces, where enough of them are clear."""
    rows = [
        _own_peak(row, starts_at_s + start_s / (1 + 1e-6 * clock_ppm) - pieces.first_lag_s)
        for row, start_s in zip(pieces.correlation, pieces.start_s, strict=True)
    ]
    clear = np.array([height >= _OWN_PEAK for _, height in rows])
    lag_s = np.array([lag for lag, _ in rows]) + pieces.first_lag_s
    at_s = pieces.start_s
    if not clear.any():
        return starts_at_s, clock_ppm
    at, early = at_s[clear], lag_s[clear] - at_s[clear]
    if len(at) < 2:
        return float(early[0] + at[0] * (1 - 1 / (1 + 1e-6 * clock_ppm))), clock_ppm
    slope, intercept = _line(at, early)
    return intercept, 1e6 * (1 / (1 + slope) - 1)


def _own_peak(row: NDArray[np.float32], near_s: float) -> tuple[float, float]:
    """Where the correlation of one piece peaks within reach of a lag (s, from the row's start), and how high."""
    reach = int(_REACH_S * _RATE_HZ)
    centre = round(near_s * _RATE_HZ)
    first, last = max(1, centre - reach), min(len(row) - 1, centre + reach + 1)
    if last - first < 3:
        return near_s, 0.0
    part = np.abs(row[first:last])
    k = int(part.argmax())
    height = float(part[k])
    left, right = abs(float(row[first + k - 1])), abs(float(row[first + k + 1]))
    bend = left - 2 * height + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return (first + k + shift) / _RATE_HZ, height


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and intercept: Theil and Sen's medians find the outliers, then least squares on the rest.

    The slope is drawn to zero as far as the peaks' scatter leaves it open (a normal prior on the clock).
    """
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    off = np.abs(y - slope * x - np.median(y - slope * x))
    near = off <= 3 * float(np.median(off)) + 1e-4
    x, y = x[near], y[near]
    scatter = max(_PEAK_SCATTER_S, float(np.median(off)))
    centred = x - x.mean()
    slope = float(centred @ y / (centred @ centred + (scatter / (1e-6 * _USUAL_PPM)) ** 2))
    return slope, float(y.mean() - slope * x.mean())
