"""Where there is a beat: silence, noise and applause have none, whatever the gain. The sounds are made here."""

import numpy as np
import pytest
from made_activations import song, values_of
from making import RATE_HZ

from pulsefind.analysis import analyse
from pulsefind.core.records import Settings
from pulsefind.listen.activations import activations
from pulsefind.listen.audio import from_samples
from pulsefind.listen.sounding import silent_frames, sounding, without_silence

PLAIN = Settings(use_cache=False)


def noise(seconds, level=0.1, seed=1):
    return np.random.default_rng(seed).normal(0, level, round(seconds * RATE_HZ))


def applause(seconds, claps_a_second, seed=2):
    """Claps at random times: bursts of noise of 10 to 30 ms that fade."""
    rng = np.random.default_rng(seed)
    samples = np.zeros(round(seconds * RATE_HZ))
    for first in rng.integers(0, len(samples) - RATE_HZ // 20, round(seconds * claps_a_second)):
        n = round(rng.uniform(0.01, 0.03) * RATE_HZ)
        samples[first : first + n] += rng.uniform(0.2, 1) * rng.normal(size=n) * np.exp(-4 * np.arange(n) / n)
    return 0.5 * samples / np.abs(samples).max()


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(5 * RATE_HZ),
        noise(12),
        np.random.default_rng(3).integers(-1, 2, 12 * RATE_HZ) / 2**15,
        applause(12, 1500),
        applause(12, 150),
        0.3 * np.sin(2 * np.pi * 220 * np.arange(12 * RATE_HZ) / RATE_HZ),
    ],
    ids=["zeros", "noise", "dither", "applause", "few who clap", "a tone"],
)
def test_no_beats_where_there_is_no_music(samples):
    analysis = analyse(from_samples(samples, RATE_HZ), PLAIN)
    assert len(analysis.beats.time_s) == 0
    assert analysis.warnings in (("the recording is silent",), ("no steady beat found",))


@pytest.mark.parametrize("gain", [1.0, 1e-3])
def test_beats_end_with_the_music(demo_song, gain):
    music = demo_song[0].mean(axis=1)[: 20 * RATE_HZ]
    with_silence = gain * np.concatenate([music, np.zeros(10 * RATE_HZ)])
    part = sounding(activations(from_samples(with_silence, RATE_HZ), "own", use_cache=False).values)
    assert part.start < 100 and 1900 < part.stop <= 2030
    fading = music * np.linspace(1, 0, len(music)) ** 4
    fading = gain * np.concatenate([fading, np.zeros(10 * RATE_HZ)])
    part = sounding(activations(from_samples(fading, RATE_HZ), "own", use_cache=False).values)
    # The fourth power of a fade is 60 dB down at 20 (1 - 10^(-60 / 80)) s.
    assert 1000 < part.stop <= 100 * 20 * (1 - 10 ** (-60 / 80)) + 100


def test_applause_after_the_music_is_not_counted_to_its_end(demo_song):
    music = demo_song[0].mean(axis=1)[: 20 * RATE_HZ]
    sound = np.concatenate([music, np.abs(music).max() * applause(20, 1500)])
    part = sounding(activations(from_samples(sound, RATE_HZ), "own", use_cache=False).values)
    assert 1900 < part.stop < 2800


@pytest.mark.parametrize("gain", [1.0, 1e-4])
def test_silence_is_measured_by_the_recordings_own_level(gain):
    quiet = noise(2) * 10 ** (-50 / 20)
    lost = noise(2) * 10 ** (-70 / 20)
    samples = gain * np.concatenate([noise(4), quiet, lost, np.zeros(RATE_HZ), noise(1)])
    silent = silent_frames(from_samples(samples, RATE_HZ))
    expected = np.zeros(1000, bool)
    # A frame is silent if all within 25 frames are.
    expected[625:875] = True
    assert np.array_equal(silent, expected)
    assert not silent_frames(from_samples(np.zeros(0), RATE_HZ)).any()
    assert silent_frames(from_samples(np.zeros(RATE_HZ), RATE_HZ)).all()


def test_short_gaps_keep_their_activations():
    samples = np.concatenate([noise(1), np.zeros(RATE_HZ // 2), noise(1)])
    values = np.full((252, 2), 0.5)
    assert np.array_equal(without_silence(values, from_samples(samples, RATE_HZ)), values)


def test_a_break_inside_belongs_to_the_music_and_what_is_too_short_to_count_has_no_beat():
    truth = song((4, 4, 100), (4, 4, 100), (4, 4, 100))
    values = values_of(truth.time_s, truth.count, 32.0)
    broken = values.copy()
    broken[1060:2020] = 0.01
    part = sounding(broken)
    assert part.start == pytest.approx(100, abs=2) and part.stop == pytest.approx(100 * truth.time_s[-1], abs=2)
    assert sounding(values[:40]) == slice(0, 0)
    assert sounding(values[100:400]).stop > 250
