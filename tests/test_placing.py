"""Beats placed on the hits, bars and tempo: closed forms and a plain dense solution."""

import numpy as np
import pytest
from making import bars_of, beats_of, hits_at, pulse

from pulsefind.beats.bars import lay_bars, tempo_of
from pulsefind.beats.placing import _whittaker, place_beats
from pulsefind.core.records import Activations, Beats


def flat_activations(length_s):
    n = int(length_s * 100)
    return Activations(np.full((n, 2), 0.3), np.zeros(n), np.zeros(n), 100.0)


def test_the_smoother_solves_its_equation():
    # The dense normal equations of Eilers (2003), "A perfect smoother", solved by numpy.
    rng = np.random.default_rng(1)
    for stiffness in (np.full(10, 0.5), rng.uniform(0.1, 50.0, 10)):
        observed, weight = rng.normal(size=12), rng.uniform(0.1, 1.0, 12)
        difference = np.diff(np.eye(12), n=2, axis=0)
        dense = np.linalg.solve(np.diag(weight) + difference.T @ (stiffness[:, None] * difference), weight * observed)
        assert np.allclose(_whittaker(observed, weight, stiffness), dense, atol=1e-6)


def test_beats_move_from_frames_to_the_hits():
    truth = pulse(64, bpm=117.3, start_s=0.713)
    rounded = pulse(64, time_s=np.round(truth.time_s, 2))
    placed = place_beats(rounded, hits_at(truth.time_s), flat_activations(40))
    assert np.abs(placed.time_s - truth.time_s).max() < 0.001


def test_loose_hits_are_averaged_and_an_early_one_does_not_drag_the_beat():
    rng = np.random.default_rng(2)
    truth = pulse(120, bpm=100)
    played = truth.time_s + rng.normal(0, 0.004, 120)
    played[40] -= 0.03
    placed = place_beats(truth, hits_at(played), flat_activations(80))
    off = placed.time_s - truth.time_s
    assert np.sqrt(np.mean(off**2)) < 0.003
    assert abs(off[40]) < 0.005


def test_a_beat_without_a_hit_follows_from_its_neighbours():
    times = 1.0 + np.cumsum(np.full(40, 0.5) + 0.01 * np.sin(np.arange(40) / 5))
    rounded = pulse(40, time_s=np.round(times, 2))
    placed = place_beats(rounded, hits_at(np.delete(times, [15, 16, 17])), flat_activations(30))
    assert np.abs(placed.time_s - times)[15:18].max() < 0.004


def test_a_change_of_tempo_is_kept():
    times = 1.0 + np.cumsum(np.r_[np.full(30, 0.6), np.full(30, 0.48)])
    placed = place_beats(pulse(60, time_s=np.round(times, 2)), hits_at(times), flat_activations(40))
    assert np.abs(placed.time_s - times).max() < 0.012


def test_beats_without_hit_or_activation_are_carried():
    a_pulse = pulse(20)
    silent = Activations(np.zeros((1200, 2)), np.zeros(1200), np.zeros(1200), 100.0)
    assert place_beats(a_pulse, hits_at(a_pulse.time_s[:10]), silent).carried.tolist() == [False] * 10 + [True] * 10


def test_no_beats():
    assert len(place_beats(pulse(0), hits_at([]), flat_activations(1)).time_s) == 0


def test_a_pickup_is_bar_nought():
    bars = bars_of(pulse(11, first_count=3))
    assert bars.number.tolist() == [0, 1, 2, 3]
    assert bars.beats.tolist() == [2, 4, 4, 1]
    assert bars.first_beat.tolist() == [0, 2, 6, 10]
    assert bars.beats_per_bar.tolist() == [4, 4, 4, 4]
    assert bars.end_s == pytest.approx(1.0 + 11 * 0.5)
    assert bars.meter(0) == "4/4"


def test_tempo_of_an_even_pulse_and_of_a_slow_change():
    even = pulse(80, bpm=132)
    tempo = tempo_of(beats_of(even), bars_of(even))
    assert tempo.bpm == pytest.approx(132)
    assert tempo.bar_bpm == pytest.approx(np.full(20, 132.0))
    assert tempo.drift_percent == pytest.approx(0, abs=1e-6)
    assert tempo.jitter_ms == pytest.approx(0, abs=1e-6)
    bpm = np.linspace(100, 110, 81)
    drifting = pulse(80, time_s=np.cumsum(60 / bpm)[:80])
    tempo = tempo_of(beats_of(drifting), bars_of(drifting))
    # 5 % cut off at either end of a straight line leave nine tenths of its 10 bpm over a median of 105.
    assert tempo.drift_percent == pytest.approx(100 * 9 / 105, rel=0.1)


def test_jitter_is_that_of_single_beats():
    # A beat moved by noise of standard deviation s changes two intervals: their deviation is s times root 2,
    # a little less after the local mean is taken off.
    rng = np.random.default_rng(3)
    times = np.arange(4000) * 0.5 + rng.normal(0, 0.006, 4000)
    noisy = Beats(np.maximum.accumulate(times), np.ones(4000), np.zeros(4000, bool))
    tempo = tempo_of(noisy, lay_bars(pulse(4000, time_s=noisy.time_s), noisy))
    assert tempo.jitter_ms == pytest.approx(6.0, rel=0.1)


def test_tempo_of_next_to_nothing():
    two = pulse(2)
    assert tempo_of(beats_of(two), bars_of(two)).bpm == 0.0
    nothing = pulse(0)
    assert len(bars_of(nothing).beats) == 0
