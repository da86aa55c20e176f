"""Slower and faster: places, length, pitch, seams."""

import numpy as np
import pytest
from making import noise_burst
from scipy.signal import butter, sosfiltfilt

from pulsefind.core.errors import HintError
from pulsefind.practice.stretch import check_speed, stretched

RATE_HZ = 44100
SPEEDS = (0.5, 0.75, 0.9, 1.1, 1.25)
TOLERANCE_S = 0.005
"""The promise: hits stay this near to their stretched places."""


def kick():
    t = np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    swept = 2 * np.pi * (50 * t + 2.4 * (1 - np.exp(-t / 0.02)))
    return np.sin(swept) * np.exp(-t / 0.1) + 0.4 * np.exp(-t / 0.0015) * np.sin(2 * np.pi * 2500 * t)


def song(seconds):
    """Kick, snare and hat in turn, a bit loose, over a chord. Returns samples and the hits' times."""
    rng = np.random.default_rng(4)
    sounds = [kick(), noise_burst(rng, 200, 8000, 0.15, 0.04), noise_burst(rng, 5000, 15000, 0.06, 0.015)]
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    out = 0.04 * sum(np.sin(2 * np.pi * f * t + f) for f in (110, 220.5, 331, 440, 554))
    first = np.round(
        (np.arange(0.7, seconds - 1.5, 0.5) + rng.uniform(-0.02, 0.02, int((seconds - 2.2) / 0.5 + 1))) * RATE_HZ
    )
    for k, at in enumerate(first.astype(int)):
        hit = 0.5 * sounds[k % 3]
        out[at : at + len(hit)] += hit
    return out.astype(np.float32), first / RATE_HZ


def play(samples, speed, block=50000):
    samples = samples if samples.ndim == 2 else samples[:, None]
    blocks = (samples[k : k + block] for k in range(0, len(samples), block))
    return np.concatenate(list(stretched(blocks, RATE_HZ, speed)))


def onset_near(samples, time_s):
    """Where the attack above 1 kHz passes 40 % of its height, 1 ms energy window: no part of the stretcher."""
    first = int((time_s - 0.1) * RATE_HZ)
    high = sosfiltfilt(
        butter(2, 1000, "highpass", fs=RATE_HZ, output="sos"), samples[first : first + int(0.2 * RATE_HZ)]
    )
    envelope = np.sqrt(np.convolve(high**2, np.ones(44) / 44, "same"))
    return first / RATE_HZ + np.argmax(envelope > 0.4 * envelope.max()) / RATE_HZ


@pytest.mark.parametrize("speed", SPEEDS)
def test_hits_stay_at_their_stretched_places(speed):
    samples, hits = song(50.0)
    slow = play(samples, speed)[:, 0]
    moved = [onset_near(slow, t / speed) - t / speed - (onset_near(samples, t) - t) for t in hits]
    assert np.abs(moved).max() < TOLERANCE_S
    assert abs(np.median(moved)) < 0.002


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize("seconds", [0.01, 0.3, 20.4, 21.5])
def test_the_length_is_that_of_the_input_divided_by_the_speed(speed, seconds):
    n = int(seconds * RATE_HZ)
    assert len(play(np.zeros(n, np.float32), speed)) == pytest.approx(n / speed, abs=1)


@pytest.mark.parametrize("speed", SPEEDS)
def test_pitch_stays(speed):
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    slow = play(np.sin(2 * np.pi * 440 * t).astype(np.float32), speed)[RATE_HZ:-RATE_HZ, 0]
    spectrum = np.abs(np.fft.rfft(slow * np.hanning(len(slow)), 2**20))
    assert np.argmax(spectrum) * RATE_HZ / 2**20 == pytest.approx(440, abs=0.5)


@pytest.mark.parametrize("speed", SPEEDS)
def test_seams_neither_jump_nor_dip(speed):
    t = np.arange(45 * RATE_HZ) / RATE_HZ
    chord = sum(0.1 * np.sin(2 * np.pi * f * t) for f in (110, 146.8, 220.5, 277.2, 331)).astype(np.float32)
    rng = np.random.default_rng(0)
    slow = play(chord + 0.05 * rng.standard_normal(len(chord)).astype(np.float32), speed)[RATE_HZ:-RATE_HZ, 0]
    plain = chord[RATE_HZ:-RATE_HZ]
    assert np.abs(np.diff(slow)).max() < 1.5 * np.abs(np.diff(plain + 0.05 * rng.standard_normal(len(plain)))).max()
    power = lambda x: np.sqrt((x[: len(x) // 8820 * 8820].reshape(-1, 8820) ** 2).mean(axis=1))  # noqa: E731
    assert power(slow).min() > 0.7 * power(plain).min()
    assert power(slow).max() < 1.4 * power(plain).max()


def test_the_same_input_gives_the_same_output_whatever_the_blocks():
    samples, _ = song(24.0)
    np.testing.assert_array_equal(play(samples, 0.8), play(samples, 0.8, block=7777))


def test_no_sound_stays_none():
    assert list(stretched(iter([]), RATE_HZ, 0.5)) == []


@pytest.mark.parametrize("speed", [0.0, -1.0, 0.2, 2.1, float("nan"), float("inf")])
def test_speeds_that_can_not_be(speed):
    with pytest.raises(HintError, match="--speed"):
        check_speed(speed)
