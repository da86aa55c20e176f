"""Naive guides: the annotated beats given, sounds from a plain factorisation, folded on the bar.

The floor for guides, not the goal. Harmonic/percussive separation, then non-negative factorisation of the
rectified differences of the log-mel spectrogram into eight parts; the peaks of each part's activation are its
hits, and the places struck in 70 % of the bars are its places. Since the true beats are given, its beats
aren't scored.
"""

from __future__ import annotations

from pathlib import Path

import librosa
import numpy as np
from scipy.signal import find_peaks
from sklearn.decomposition import NMF

from eval.records import Answer, ClaimedGuide, FloatArray, Reference
from eval.scoring.folding import bar_lines, fold
from eval.scoring.mono import read_mono

RATE_HZ = 22050
HOP = 256
BANDS = 64
PARTS = 8
# A peak counts when it rises over this share of the part's strong peaks (their 95th percentile).
PEAK_SHARE = 0.5
PEAK_REACH = 3
SEED = 0


def _flux(path: Path) -> FloatArray:
    """Return the rectified frame-to-frame rise of the percussive log-mel spectrogram, (bands, frames)."""
    percussive = librosa.effects.percussive(read_mono(path, RATE_HZ))
    mel = librosa.feature.melspectrogram(y=percussive, sr=RATE_HZ, hop_length=HOP, n_fft=1024, n_mels=BANDS)
    rise = np.diff(np.log1p(1000 * mel), axis=1, prepend=0)
    return np.asarray(np.maximum(rise, 0), dtype=np.float64)


def _peaks_s(activation: FloatArray) -> FloatArray:
    """Return the times of the peaks of one part's activation."""
    strong = np.percentile(activation[activation > 0], 95) if (activation > 0).any() else np.inf
    peaks, _ = find_peaks(activation, height=PEAK_SHARE * strong, distance=PEAK_REACH)
    return np.asarray(peaks, dtype=np.float64) * HOP / RATE_HZ


def answer(path: Path, given: Reference | None) -> Answer:
    """Return the guides, those with the most regular places first; given holds the annotated beats."""
    if given is None:
        raise ValueError("the naive guides need the annotated beats")
    bars = bar_lines(given)
    if bars is None:
        return Answer(given.beat_s, given.count, guides=())
    flux = _flux(path)
    parts = NMF(PARTS, init="nndsvda", max_iter=300, random_state=SEED).fit_transform(flux.T).T
    guides = []
    for number, activation in enumerate(parts, start=1):
        hit_s = _peaks_s(activation)
        places = fold(hit_s, bars)
        if len(places):
            guides.append((_regularity(hit_s, places, len(bars.start_s)), f"part {number}", places, hit_s))
    guides.sort(key=lambda guide: -guide[0])
    claimed = tuple(ClaimedGuide(name, 1, places, hit_s) for _, name, places, hit_s in guides)
    return Answer(given.beat_s, given.count, guides=claimed)


def _regularity(hit_s: FloatArray, places: FloatArray, n_bars: int) -> float:
    """Return how nearly the hits are those that the places explain, 1 when all of them are."""
    expected = len(places) * n_bars
    return min(len(hit_s), expected) / max(len(hit_s), expected)
