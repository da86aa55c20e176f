"""Where there is a beat: silence, noise and applause have none, whatever the gain. The sounds are made here."""

import numpy as np
import pytest
from made_activations import song, values_of
from making import RATE_HZ

from pulsefind.analysis import analyse
from pulsefind.core.records import Settings
from pulsefind.listen.activations import activations
from pulsefind.listen.audio import from_samples
from pulsefind.listen.sounding import sounding, within_music

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


def heard_part(samples):
    return sounding(activations(from_samples(samples, RATE_HZ), "own", use_cache=False).values)


@pytest.mark.parametrize("gain", [1.0, 1e-3])
@pytest.mark.parametrize("after", [np.zeros(10 * RATE_HZ), noise(10, level=1e-3)], ids=["silence", "hiss"])
def test_beats_end_with_the_music(demo_song, gain, after):
    music = demo_song[0].mean(axis=1)[: 20 * RATE_HZ]
    part = heard_part(gain * np.concatenate([music, after]))
    assert part.start < 100 and 1900 < part.stop <= 2020
    fading = music * np.linspace(1, 0, len(music)) ** 4
    part = heard_part(gain * np.concatenate([fading, np.zeros(10 * RATE_HZ)]))
    # The fourth power of a fade is 60 dB down at 20 (1 - 10^(-60 / 80)) s.
    assert 1000 < part.stop <= 100 * 20 * (1 - 10 ** (-60 / 80)) + 100


def test_the_last_chord_rings_without_beats(demo_song):
    samples, truth = demo_song
    part = heard_part(samples.mean(axis=1))
    # A shaker sounds half a beat after the last beat.
    assert truth.beat_s[-1] - 0.05 <= part.stop / 100 <= truth.beat_s[-1] + 0.75 * 60 / truth.bpm


def test_applause_after_the_music_is_not_counted_to_its_end(demo_song):
    music = demo_song[0].mean(axis=1)[: 20 * RATE_HZ]
    sound = np.concatenate([music, np.abs(music).max() * applause(20, 1500)])
    part = sounding(activations(from_samples(sound, RATE_HZ), "own", use_cache=False).values)
    assert 1900 < part.stop < 2800


@pytest.mark.parametrize("gain", [1.0, 1e-4])
def test_what_stands_before_the_sound_and_after_its_last_attack_is_left_out(gain):
    silence, lost = np.zeros(2 * RATE_HZ), 10 ** (-70 / 20) * noise(2)
    samples = gain * np.concatenate([silence, noise(2), silence, noise(1), lost])
    values = np.full((901, 2), 0.1)
    kept = within_music(values, from_samples(samples, RATE_HZ))[:, 0] > 0
    # Sound counts from a tenth of a second before it; the last attack is that of the second noise, at 6 s.
    expected = np.zeros(901, bool)
    expected[190:611] = True
    assert expected[:611][kept[:611]].all() and np.flatnonzero(kept)[0] == 190
    assert abs(np.flatnonzero(kept)[-1] - 610) <= 12


def test_zeros_and_no_sound_have_no_activations():
    for n in (0, 8 * RATE_HZ):
        assert not within_music(np.full((801, 2), 0.5), from_samples(np.zeros(n), RATE_HZ)).any()


def test_a_hat_over_a_loud_bass_is_an_attack():
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    samples = np.sin(2 * np.pi * 50 * time_s) * np.minimum(1, 20 * time_s)
    samples[3 * RATE_HZ :][:2000] += noise(2000 / RATE_HZ, level=0.05)
    kept = within_music(np.full((401, 2), 0.1), from_samples(samples, RATE_HZ))[:, 0]
    # Its last samples begin up to 40 ms after its first.
    assert 308 <= np.flatnonzero(kept)[-1] <= 316


def test_a_break_inside_belongs_to_the_music_and_what_is_too_short_to_count_has_no_beat():
    truth = song((4, 4, 100), (4, 4, 100), (4, 4, 100))
    values = values_of(truth.time_s, truth.count, 32.0)
    broken = values.copy()
    broken[1060:2020] = 0.01
    part = sounding(broken)
    assert part.start == pytest.approx(100, abs=2) and part.stop == pytest.approx(100 * truth.time_s[-1], abs=2)
    assert sounding(values[:40]) == slice(0, 0)
    assert sounding(values[100:400]).stop > 250
