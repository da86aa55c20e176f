"""Windows moved on in small steps, against NumPy's Fourier transform of each window by itself."""

import numpy as np
import pytest

from pulsefind.listen import sliding
from pulsefind.listen.sliding import FEW_BINS, sliding_magnitude


def one_by_one(samples, window, centre, shift, bank):
    padded = np.pad(samples.astype(float), 10_000)
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)
    found = np.zeros((len(centre), len(shift), bank.shape[1]))
    for i, at in enumerate(centre):
        for k, away in enumerate(shift):
            first = at + away - window // 2 + 10_000
            found[i, k] = np.abs(np.fft.rfft(padded[first : first + window] * hann)) @ bank / (window / 4)
    return found


@pytest.mark.parametrize(
    ("window", "first", "n_bins"), [(2048, 0, 9), (2048, 3, 51), (512, 250, 7), (256, 1, 40), (256, 0, 0)]
)
def test_each_window_has_the_spectrum_that_it_has_alone(monkeypatch, window, first, n_bins):
    rng = np.random.default_rng(3)
    # Loud before soft: what was summed before must not be heard after it.
    samples = (rng.normal(size=6000) * np.repeat([1.0, 1e-3], 3000)).astype(np.float32)
    bank = np.zeros((window // 2 + 1, 2), np.float32)
    bank[first : first + n_bins] = rng.uniform(0, 1, bank[first : first + n_bins].shape)
    centre, shift = np.array([0, 300, 3100, 5990]), np.round(np.arange(-20, 19) * 44.1).astype(np.int64)
    monkeypatch.setattr(sliding, "_PLACES", 3)
    found = sliding_magnitude(samples, window, centre, shift, bank)
    expected = one_by_one(samples, window, centre, shift, bank)
    np.testing.assert_allclose(found, expected, atol=3e-7 * max(1e-9, expected.max()))
    assert n_bins <= FEW_BINS * window or n_bins == 40


def test_nothing_gives_nothing():
    bank = np.ones((129, 1), np.float32)
    assert sliding_magnitude(np.zeros(9, np.float32), 256, np.zeros(0, np.int64), np.arange(3), bank).shape == (0, 3, 1)
    few = np.eye(1025, 2, dtype=np.float32)
    assert sliding_magnitude(np.zeros(0, np.float32), 2048, np.zeros(0, np.int64), np.arange(3), few).shape == (0, 3, 2)
