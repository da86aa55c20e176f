"""A leak is looked for piece by piece, and found as in the whole."""

import numpy as np
import pytest
from scipy.signal import correlate

from eval.take.kit_sound import RATE_HZ
from pulsefind.listen.audio import from_samples
from pulsefind.take import leak


def noise(seconds, seed):
    return 0.1 * np.random.default_rng(seed).normal(size=int(seconds * RATE_HZ))


def test_flattened_piece_by_piece_as_at_once():
    audio = from_samples(noise(9.3, 1) * np.linspace(0.01, 1, int(9.3 * RATE_HZ)), RATE_HZ)
    whole, pieces = leak._flat(audio, 2**20), leak._flat(audio, 64 * 40)
    assert len(whole) == pytest.approx(9.3 * 4000, abs=1)
    assert np.abs(whole - pieces).max() < 1e-6 * np.abs(whole).max()


def test_correlated_piece_by_piece_as_by_the_definition():
    rng = np.random.default_rng(2)
    track, take = (rng.normal(size=n).astype(np.float32) for n in (30_000, 21_000))
    pieces = leak._correlate(track, take, 1.0, lags=4096)
    assert pieces.pooled.shape == (5, (30_000 + 4000) // 4)
    for k, start_s in enumerate(pieces.start_s):
        piece = take[round(start_s * 4000) :][:4000]
        # scipy's direct sum: its first lag is one piece less a sample before the track.
        full = np.r_[0.0, correlate(track.astype(float), piece.astype(float), "full", "direct")]
        full /= full.std()
        assert np.allclose(pieces.correlation(k, 5000, 5050), full[5000:5050], atol=1e-4)
        pooled = np.abs(full).reshape(-1, 4).max(axis=1)
        around = np.maximum(pooled, np.maximum(np.r_[0, pooled[:-1]], np.r_[pooled[1:], 0]))
        assert np.allclose(pieces.pooled[k], around, rtol=2e-3)


def test_starts_are_compared_piece_by_piece_as_at_once():
    rng = np.random.default_rng(3)
    track = rng.normal(size=60_000).astype(np.float32)
    take = np.r_[track[9_000:50_000], np.zeros(100, np.float32)] + rng.normal(size=41_100).astype(np.float32)
    pieces = leak._correlate(track, take, 2.0)
    whole, parts = leak._sum_along_clocks(pieces, 2**20), leak._sum_along_clocks(pieces, 777)
    assert np.array_equal(whole.at, parts.at)
    assert np.allclose(whole.height, parts.height, rtol=1e-6)
    assert np.allclose(whole.best, parts.best, atol=1e-5)
    start_s = whole.first_start_s + whole.best.argmax() / 1000
    assert start_s == pytest.approx(9_000 / 4000, abs=0.002)
