"""What the take network hears: strokes of known times, how loud they are, and the same from any rate."""

import numpy as np
import pytest

from pulsefind.listen import network
from pulsefind.listen.audio import from_samples
from pulsefind.take import ear

RATE_HZ = 44100
KICK_S = np.arange(0.5, 8.0, 1.0)
SNARE_S = np.arange(1.0, 8.0, 1.0)
HAT_S = np.arange(0.25, 8.0, 0.25)


def _take(hat_db=-20.0, fall_db=0.0):
    """Drums made here: a falling sine, noise over a tone, short high noise; every second snare softer by fall_db."""
    rng, t = np.random.default_rng(5), np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    kick = np.sin(2 * np.pi * (50 * t + 2 * (1 - np.exp(-t / 0.02)))) * np.exp(-t / 0.1)
    snare = (0.5 * rng.normal(size=len(t)) + np.sin(2 * np.pi * 190 * t)) * np.exp(-t / 0.07) * 0.5
    hat = np.diff(rng.normal(size=len(t) + 1)) * np.exp(-t / 0.025) * 10 ** (hat_db / 20)
    out = 1e-4 * rng.normal(size=int(8.5 * RATE_HZ))
    for sound, times_s in ((kick, KICK_S), (snare, SNARE_S), (hat, HAT_S)):
        for k, at_s in enumerate(times_s):
            first = round(at_s * RATE_HZ)
            out[first : first + len(sound)] += sound * (10 ** (fall_db / 20) if sound is snare and k % 2 else 1.0)
    return from_samples(0.5 * out, RATE_HZ)


@pytest.fixture(scope="module")
def heard():
    return ear.hear(_take())


@pytest.mark.parametrize(("kind", "times_s"), [("kick", KICK_S), ("snare", SNARE_S), ("cymbal", HAT_S)])
def test_every_stroke_of_a_plain_pattern_is_heard_within_ten_milliseconds(heard, kind, times_s):
    struck_s = heard[kind].time_s[heard[kind].log_odds >= 0]
    assert len(struck_s) == len(times_s)
    assert np.abs(struck_s - times_s).max() < 0.01


def test_a_softer_stroke_is_lower_by_as_much():
    level_db = {}
    found = ear.hear(_take(hat_db=-60.0, fall_db=-12.0))["snare"]
    for name, times_s in (("loud", SNARE_S[::2]), ("soft", SNARE_S[1::2])):
        level_db[name] = np.mean([found.level_db[np.abs(found.time_s - t).argmin()] for t in times_s])
    assert level_db["soft"] - level_db["loud"] == pytest.approx(-12.0, abs=1.0)


def test_an_empty_recording_has_no_peaks():
    assert all(len(peaks.time_s) == 0 for peaks in ear.hear(from_samples(np.zeros(0), RATE_HZ)).values())


def test_frames_follow_each_other_every_ten_milliseconds():
    likely = network.network_outputs(from_samples(np.zeros(RATE_HZ), RATE_HZ), network.TAKE)
    assert likely.shape == (101, 8)


def test_a_grace_note_is_not_as_loud_as_the_stroke_that_follows_it():
    rng, t = np.random.default_rng(6), np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    snare = (0.5 * rng.normal(size=len(t)) + np.sin(2 * np.pi * 190 * t)) * np.exp(-t / 0.07) * 0.5
    out = 1e-4 * rng.normal(size=int(6.5 * RATE_HZ))
    for at_s in np.arange(0.5, 6.0, 1.0):
        for late_s, gain in ((0.0, 0.25), (0.03, 1.0)):
            first = round((at_s + late_s) * RATE_HZ)
            out[first : first + len(snare)] += gain * snare
    found = ear.hear(from_samples(0.5 * out, RATE_HZ))["snare"]
    for at_s in np.arange(0.5, 6.0, 1.0):
        grace, main = (found.level_db[np.abs(found.time_s - t).argmin()] for t in (at_s, at_s + 0.03))
        assert main - grace > 6.0
