"""Where a take lies on its track when the track can be heard in it.

Both are flattened in time and frequency, so that a loud drum weighs no more than the leak between two strokes (the
phase transform of Knapp and Carter 1976, cell by cell). Pieces of the take are correlated with the whole track by FFT.
A clock error shifts the peaks of later pieces: the pieces are summed along every plausible clock error, and a line
through their own peaks then gives start and clock to a fraction of a millisecond.

Recordings of an hour are worked on piece by piece: only both at 4 kHz, and the correlations to the millisecond, are
held as a whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d
from scipy.signal import istft, stft

from pulsefind.core.mapped import pieces as pieces_of
from pulsefind.core.records import Audio, FloatArray
from pulsefind.listen.audio import resampled

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
_CLOCKS_PPM = np.arange(-CLOCK_PPM, CLOCK_PPM + 1, _CLOCK_STEP_PPM)  # all that are plausible (arithmetic)

_CLEAR_PEAK, _CLEAR_REPEAT, _OWN_PEAK = 9.0, 20.0, 5.0
"""Heights, in standard deviations of the correlation, of a peak that counts, of one in a track that repeats itself, and
of a single piece's (judged).
"""
_RIVAL_SHARE = 0.8  # judged: of the highest peak's height, from which another is its rival

_REACH_S, _APART_S = 0.006, 0.03  # judged: how far a piece's peak may lie from the whole's; peaks closer are one
_WINDOW, _OVERLAP = 256, 192  # samples, 64 ms and three quarters of it: judged
_FLAT_LENGTH, _LAGS_LENGTH, _STARTS_LENGTH = 2**18, 2**18, 2**16
"""Samples that are flattened, lags that are correlated, and starts that are compared at a time (judged: some 10 MB
each); no result depends on them.
"""
_MOST_SAMPLED = 40_000
"""Frames, and starts for each clock, that tell a level, evenly spread where there are more (judged).
"""
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
    """Correlations of pieces of the take with the track.

    pooled: (n_pieces, n_bins) their largest size around every millisecond; start_s: (n_pieces,) in the take; spread:
    (n_pieces,) the standard deviation that they were divided by. Lag zero means that the piece's own start lies on the
    track's first sample.
    """

    track: NDArray[np.float32]
    take: NDArray[np.float32]
    length: int
    pooled: NDArray[np.float16]
    start_s: FloatArray
    spread: FloatArray

    @property
    def first_lag_s(self) -> float:
        """The first lag: a piece may begin before the track does."""
        return -self.length / _RATE_HZ

    def piece(self, k: int) -> NDArray[np.float32]:
        """The samples of a piece."""
        first = round(float(self.start_s[k]) * _RATE_HZ)
        return self.take[first : first + self.length]

    def correlation(self, k: int, first: int, last: int) -> FloatArray:
        """(last - first,) the correlation of a piece at these lags, in samples from the first lag."""
        both = _at_lags(self.track, self.piece(k), first - self.length, last - self.length)
        scaled: FloatArray = both / self.spread[k]
        return scaled


@dataclass(frozen=True, slots=True)
class _Peaks:
    """How far starts stand out, in standard deviations.

    best: (n_starts,) along the clock that suits each of them best; height, at: (n_clocks,) the highest of each clock,
    and which start it is.
    """

    best: NDArray[np.float32]
    height: FloatArray
    at: NDArray[np.int64]
    first_start_s: float


def find_leak(track: Audio, take: Audio) -> Leak | None:
    """Look for the track in the take. None: it isn't heard in it, or one of them is too short to tell."""
    piece_s = min(_PIECE_S, take.duration_s / 2, track.duration_s)
    if piece_s < 1.0 or not _sounds(take) or not _sounds(track):
        return None
    pieces = _correlate(_flat(track), _flat(take), piece_s)
    if not len(pieces.start_s):
        return None
    peaks = _sum_along_clocks(pieces)
    height = float(peaks.height.max())
    if height < _CLEAR_PEAK:
        return None
    # A short take says little about its clock: of those that fit about as well, the one least off is taken.
    as_good = np.flatnonzero(peaks.height >= _AS_GOOD * height)
    best_clock = int(as_good[np.argmin(np.abs(_CLOCKS_PPM[as_good]))])
    best = int(peaks.at[best_clock])
    rival_bins = _rivals(peaks.best, best, height)
    if rival_bins and height < _CLEAR_REPEAT:
        # Tones that two recordings have in common give many low peaks; a track that repeats gives high ones.
        return None
    rivals = tuple(peaks.first_start_s + k * _BIN / _RATE_HZ for k in rival_bins)
    starts_at_s = peaks.first_start_s + best * _BIN / _RATE_HZ
    starts_at_s, clock_ppm = _refine(pieces, starts_at_s, float(_CLOCKS_PPM[best_clock]))
    return Leak(starts_at_s, clock_ppm, height, rivals)


def _sounds(audio: Audio) -> bool:
    return any(bool(np.any(piece)) for piece in pieces_of(audio.samples, _FLAT_LENGTH))


def _flat(audio: Audio, length: int = _FLAT_LENGTH) -> NDArray[np.float32]:
    """The recording at 4 kHz, with all cells of its spectrogram brought close to one level, so many samples at a time
    (a multiple of a quarter window).
    """
    parts = list(resampled(audio, _RATE_HZ))
    samples = np.concatenate(parts) if parts else np.zeros(0, np.float32)
    if len(samples) < _WINDOW:
        return np.zeros(0, np.float32)
    floor = 1e-4 * _loud(samples) + 1e-12
    flat = np.empty_like(samples)
    for first in range(0, len(samples), length):
        # A window before and after, so that every frame that reaches into the part is whole.
        begin, end = max(0, first - _WINDOW), min(len(samples), first + length + _WINDOW)
        cells = _cells(samples[begin:end])
        _, part = istft(cells / (np.abs(cells) + floor) ** _FLATTEN, _RATE_HZ, nperseg=_WINDOW, noverlap=_OVERLAP)
        last = min(len(samples), first + length)
        flat[first:last] = part[first - begin : last - begin]
    return flat


def _cells(samples: NDArray[np.float32]) -> NDArray[np.complex128]:
    padded = np.pad(samples.astype(np.float64), (0, max(0, _WINDOW - len(samples))))
    cells: NDArray[np.complex128] = stft(padded, _RATE_HZ, nperseg=_WINDOW, noverlap=_OVERLAP)[2]
    return cells


def _loud(samples: NDArray[np.float32]) -> float:
    """The size that one cell in twenty exceeds, from frames that are evenly spread."""
    hop = _WINDOW - _OVERLAP
    frames = len(samples) // hop
    window = np.hanning(_WINDOW + 1)[:-1]
    step = max(1, -(-frames // _MOST_SAMPLED))
    starts = np.arange(0, len(samples) - _WINDOW + 1, hop * step)
    sizes = [
        np.abs(rfft(samples[part[:, None] + np.arange(_WINDOW)] * window, axis=1)).astype(np.float32)
        for part in np.array_split(starts, -(-len(starts) // 1000))
    ]
    return float(np.percentile(np.concatenate(sizes), 95)) / float(window.sum())


def _correlate(
    track: NDArray[np.float32], take: NDArray[np.float32], piece_s: float, lags: int = _LAGS_LENGTH
) -> _Pieces:
    length = int(piece_s * _RATE_HZ)
    count = max(1, min(_MOST_PIECES, len(take) // length))
    first = np.linspace(0, max(0, len(take) - length), count).astype(np.int64)
    first = np.array([f for f in first if np.any(take[f : f + length])], dtype=np.int64)
    # Lags -length .. len(track).
    n_bins = (len(track) + length) // _BIN
    pooled = np.empty((len(first), n_bins), np.float16)
    spread = np.empty(len(first))
    for i, f in enumerate(first):
        row = np.empty(n_bins, np.float32)
        total, squares, n = 0.0, 0.0, 0
        for low, both in _lags(track, take[f : f + length], lags):
            total, squares, n = total + float(both.sum()), squares + float(both @ both), n + len(both)
            full = len(both) // _BIN
            row[low // _BIN : low // _BIN + full] = np.abs(both[: full * _BIN]).reshape(full, _BIN).max(axis=1)
        spread[i] = np.sqrt(max(0.0, squares / n - (total / n) ** 2)) + 1e-30
        # Half precision: one part in 2,000, and heights of 5 to 20 are compared.
        pooled[i] = maximum_filter1d(row / np.float32(spread[i]), 3)
    return _Pieces(track, take, length, pooled, first / _RATE_HZ, spread)


def _lags(track: NDArray[np.float32], piece: NDArray[np.float32], lags: int) -> Iterator[tuple[int, FloatArray]]:
    """The correlation of a piece with the track, so many lags at a time (a multiple of _BIN): the first, from the first
    lag, and (n,) the values.
    """
    end = len(track) + len(piece)
    for low in range(0, end, lags):
        yield low, _at_lags(track, piece, low - len(piece), min(low + lags, end) - len(piece))


def _at_lags(track: NDArray[np.float32], piece: NDArray[np.float32], first: int, last: int) -> FloatArray:
    """(last - first,) the correlation of a piece with the track at lags first .. last, in samples."""
    # At lag k the piece lies on the track's samples k .. k + len(piece).
    begin, end = max(0, first), min(len(track), last + len(piece))
    size = next_fast_len(last - first + 2 * len(piece), real=True)
    part = np.zeros(size)
    if end > begin:
        part[begin - first : end - first] = track[begin:end]
    both: FloatArray = irfft(rfft(part) * np.conj(rfft(piece.astype(np.float64), size)), size)[: last - first]
    return both


def _sum_along_clocks(pieces: _Pieces, length: int = _STARTS_LENGTH) -> _Peaks:
    """How far each start stands out for every clock, so many starts at a time."""
    n = pieces.pooled.shape[1]
    bins_per_s = _RATE_HZ / _BIN
    longest = int(np.ceil(pieces.start_s[-1] * bins_per_s * (1 + 1e-6 * CLOCK_PPM))) + 1
    starts = n + longest
    rest = float(np.mean(pieces.pooled, dtype=np.float64))
    step = max(1, -(-starts // _MOST_SAMPLED))
    best = np.empty(starts, np.float32)
    height, at = np.full(len(_CLOCKS_PPM), -np.inf), np.zeros(len(_CLOCKS_PPM), np.int64)
    total, squares = 0.0, 0.0
    sampled: list[NDArray[np.float32]] = []
    for first in range(0, starts, length):
        last = min(starts, first + length)
        part = np.stack([_along(pieces, clock, first, last, longest, rest) for clock in _CLOCKS_PPM])
        best[first:last] = part.max(axis=0)
        highest = part.max(axis=1)
        higher = highest > height
        at[higher] = first + part.argmax(axis=1)[higher]
        height = np.maximum(height, highest)
        total, squares = total + float(part.sum()), squares + float(np.square(part).sum())
        sampled.append(part[:, -first % step :: step].astype(np.float32).ravel())
    n_all = starts * len(_CLOCKS_PPM)
    spread = float(np.sqrt(max(0.0, squares / n_all - (total / n_all) ** 2))) + 1e-12
    middle = float(np.median(np.concatenate(sampled)))
    return _Peaks(
        (best - np.float32(middle)) / np.float32(spread),
        (height - middle) / spread,
        at,
        pieces.first_lag_s - longest / bins_per_s,
    )


def _along(pieces: _Pieces, clock: float, first: int, last: int, longest: int, rest: float) -> FloatArray:
    """(last - first,) the pieces' correlations, summed for a clock, at these starts."""
    total = np.zeros(last - first)
    n = pieces.pooled.shape[1]
    for row, start_s in zip(pieces.pooled, pieces.start_s, strict=True):
        # A piece at take time s starts on the track at start + s / (1 + clock).
        offset = longest - round(start_s / (1 + 1e-6 * clock) * _RATE_HZ / _BIN)
        low, high = max(first, offset), min(last, offset + n)
        if high > low:
            total[low - first : high - first] += row[low - offset : high - offset].astype(np.float64) - rest
    total /= np.sqrt(len(pieces.start_s))
    return total


def _rivals(score: NDArray[np.float32], best: int, height: float) -> tuple[int, ...]:
    apart = int(_APART_S * _RATE_HZ / _BIN)
    peak = (score == maximum_filter1d(score, 2 * apart + 1)) & (score >= _RIVAL_SHARE * height)
    others = [int(k) for k in np.flatnonzero(peak) if abs(int(k) - best) > apart]
    return tuple(sorted(others, key=lambda k: -score[k])[:5])


def _refine(pieces: _Pieces, starts_at_s: float, clock_ppm: float) -> tuple[float, float]:
    """Start and clock from a robust line through the peaks of the single pieces, where enough of them are clear."""
    rows = [
        _own_peak(pieces, k, starts_at_s + start_s / (1 + 1e-6 * clock_ppm) - pieces.first_lag_s)
        for k, start_s in enumerate(pieces.start_s.tolist())
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


def _own_peak(pieces: _Pieces, k: int, near_s: float) -> tuple[float, float]:
    """Where the correlation of one piece peaks within reach of a lag (s, from the first lag), and how high."""
    reach = int(_REACH_S * _RATE_HZ)
    centre = round(near_s * _RATE_HZ)
    first, last = max(1, centre - reach), min(len(pieces.track) + pieces.length - 1, centre + reach + 1)
    if last - first < 3:
        return near_s, 0.0
    size = np.abs(pieces.correlation(k, first - 1, last + 1))
    peak = 1 + int(size[1:-1].argmax())
    left, height, right = (float(value) for value in size[peak - 1 : peak + 2])
    bend = left - 2 * height + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return (first - 1 + peak + shift) / _RATE_HZ, height


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
