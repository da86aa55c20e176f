"""When strokes begin, against sounds whose envelopes have a closed form."""

import numpy as np
import pytest

from pulsefind.listen.audio import from_samples
from pulsefind.take.attacks import begun_s

RATE_HZ = 44100
T = np.arange(3 * RATE_HZ) / RATE_HZ


def tone(hz, begins_s, rises_s, decays_s=0.05):
    """A sine whose amplitude rises in a straight line, then decays."""
    since_s = T - begins_s
    rise = np.clip(since_s / rises_s, 0.0, 1.0)
    return rise * np.exp(-np.maximum(since_s - rises_s, 0.0) / decays_s) * np.sin(2 * np.pi * hz * since_s)


def test_a_straight_rise_begins_where_its_amplitude_is_10_db_below_its_maximum():
    # 10 dB below the maximum the amplitude is 0.316 of it, and so is the way up a straight line. The filter is late by
    # some tenths of a millisecond; a sine of 2 kHz peaks every quarter of one.
    for rises_s in (0.004, 0.008):
        found = begun_s(from_samples(tone(2000.0, 1.0, rises_s), RATE_HZ), np.array([1.0]), "snare")
        assert found[0] == pytest.approx(1.0 + 10 ** (-10 / 20) * rises_s, abs=0.0006)


def test_a_kick_under_an_earlier_hat_begins_when_it_does():
    rng = np.random.default_rng(0)
    hat = np.where(T >= 1.0, rng.normal(size=len(T)) * np.exp(-(T - 1.0) / 0.03), 0.0)
    hat = np.diff(hat, n=3, prepend=[0.0, 0.0, 0.0])  # three differences leave little below 1 kHz
    both = from_samples(0.03 * hat + tone(180.0, 1.006, 0.0005), RATE_HZ)
    # The hat's first sample is where anything begins at all.
    assert begun_s(both, np.array([1.0]), "kick")[0] == pytest.approx(1.006, abs=0.0015)


def test_nothing_moves_where_nothing_rises_or_the_recording_ends():
    hiss = from_samples(0.1 * np.random.default_rng(1).normal(size=len(T)), RATE_HZ)
    at_s = np.array([0.001, 2.999])
    assert np.array_equal(begun_s(hiss, at_s, "snare"), at_s)
    assert len(begun_s(hiss, np.zeros(0), "kick")) == 0
    steady = from_samples(np.sin(2 * np.pi * 300 * T), RATE_HZ)
    assert begun_s(steady, np.array([1.5]), "kick")[0] == 1.5


def test_a_long_recording_is_read_piece_by_piece_with_the_same_result():
    tail = np.zeros(59 * RATE_HZ)
    click = np.r_[tail, tone(2000.0, 1.0, 0.004), tail]  # the stroke at 60.0 s lies on the edge of two pieces
    early, late = (
        begun_s(from_samples(x, RATE_HZ), np.array([t]), "snare")[0] for x, t in ((click, 59.999), (click, 60.0))
    )
    alone = begun_s(from_samples(tone(2000.0, 1.0, 0.004), RATE_HZ), np.array([1.0]), "snare")[0]
    assert early == pytest.approx(late, abs=1e-4) and late - 59.0 == pytest.approx(alone, abs=1e-4)


def test_a_narrow_recording_keeps_the_times_of_what_it_cannot_hold():
    thin = from_samples(np.random.default_rng(2).normal(size=3000) * 0.1, 1500)
    assert np.array_equal(begun_s(thin, np.array([0.5, 1.0]), "snare"), [0.5, 1.0])
