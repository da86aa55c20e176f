"""The beat search against a slow, independent frame-by-frame Viterbi of the same model."""

import numpy as np
import pytest

from pulsefind.beatpath import BEAT_REGION, TEMPO_STIFFNESS, beat_region, best_path, intervals


def slow_log_likelihood(activation, interval):
    """Best path through the full state space (interval, position in beat), frame by frame, Krebs et al. 2015."""
    beat = np.clip(activation, 1e-7, 1 - 1e-7)
    region = beat_region(interval)
    ratio = interval[None, :] / interval[:, None]
    transition = np.exp(-TEMPO_STIFFNESS * np.abs(ratio - 1))
    transition = np.log(transition / transition.sum(axis=1, keepdims=True))
    value = [np.full(n, -np.log(len(interval)) - np.log(n)) for n in interval]
    for frame in range(len(activation)):
        if frame:
            ends = np.array([v[-1] for v in value])
            arriving = (ends[:, None] + transition).max(axis=0)
            value = [np.r_[arriving[i], v[:-1]] for i, v in enumerate(value)]
        on, off = np.log(beat[frame]), np.log((1 - beat[frame]) / (BEAT_REGION - 1))
        value = [v + np.where(np.arange(len(v)) < region[i], on, off) for i, v in enumerate(value)]
    return max(v.max() for v in value)


@pytest.mark.parametrize("seed", range(8))
def test_same_likelihood_as_the_slow_search(seed):
    rng = np.random.default_rng(seed)
    interval = intervals(20.0, 80.0, 200.0)
    activation = rng.uniform(0.01, 0.3, 150)
    activation[rng.integers(0, 10) :: 11] = rng.uniform(0.5, 0.95)
    assert best_path(activation, interval).log_likelihood == pytest.approx(
        slow_log_likelihood(activation, interval), abs=1e-6
    )


def test_even_pulses_are_found_exactly():
    activation = np.full(1000, 0.01)
    activation[7::50] = 0.9
    path = best_path(activation, intervals(100.0, 55.0, 215.0))
    assert path.frame.tolist() == list(range(7, 1000, 50))
    assert set(path.interval[1:-1].tolist()) == {50}


def test_a_slow_change_of_tempo_is_followed():
    times = np.cumsum(np.linspace(60, 45, 40)).round().astype(int)
    activation = np.full(times[-1] + 30, 0.01)
    activation[times] = 0.9
    found = best_path(activation, intervals(100.0, 55.0, 215.0)).frame
    assert np.abs(found[:, None] - times[None, :]).min(axis=1).max() <= 2


def test_no_frames_give_no_beats():
    assert len(best_path(np.zeros(0), intervals(100.0, 55.0, 215.0)).frame) == 0


def test_the_result_lies_inside_the_frames():
    path = best_path(np.full(30, 0.5), intervals(100.0, 55.0, 215.0))
    assert ((path.frame >= 0) & (path.frame < 30)).all()


def test_intervals_cover_the_tempi_and_thin_out_when_many():
    assert intervals(100.0, 60.0, 120.0).tolist() == list(range(50, 101))
    many = intervals(100.0, 20.0, 400.0)
    assert len(many) <= 120
    assert (many[0], many[-1]) == (15, 300)
