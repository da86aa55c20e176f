"""Counting beats, against a sum over every possible reading."""

import itertools

import numpy as np
import pytest

from pulsefind.beats.counting import METERS, CountPriors, best_bars, rotated


def every_reading(n_beats, meters, priors):
    """All ways to count n beats, with their prior probability: start anywhere, then whole bars.

    A beat is (length of its bar, position, meter to return to).
    """
    weight = np.array([priors.meter[m] for m in meters])
    share = dict(zip(meters, weight / weight.sum(), strict=True))
    states = [(m, p, m) for m in meters for p in range(m)]
    for first in states:
        stack = [([first], share[first[0]] / first[0])]
        while stack:
            reading, probability = stack.pop()
            if len(reading) == n_beats:
                yield reading, probability
                continue
            m, p, home = reading[-1]
            if p < m - 1:
                stack.append(([*reading, (m, p + 1, home)], probability))
                continue
            thrown = priors.thrown_in if m == home and m > 2 and 2 in meters else 0.0
            if thrown:
                stack.append(([*reading, (2, 0, home)], probability * thrown))
            for other in meters:
                step = (1 - priors.change) * (other == home) + priors.change * share[other]
                stack.append(([*reading, (other, 0, other)], probability * step * (1 - thrown)))


def likelihood(reading, log_odds):
    yes = 1 / (1 + np.exp(-log_odds))
    return np.prod([yes[k] if p == 0 else 1 - yes[k] for k, (_, p, *_) in enumerate(reading)])


@pytest.mark.parametrize(
    "priors", [CountPriors(), CountPriors({2: 0.2, 3: 0.5, 4: 0.3}, 0.1, 0.3), CountPriors(thrown_in=0.0)]
)
@pytest.mark.parametrize("seed", range(4))
def test_likelihood_posterior_and_path_equal_the_sum_over_all_readings(seed, priors):
    meters = (2, 3, 4)
    log_odds = np.random.default_rng(seed).normal(0, 2, 9)
    total, one = 0.0, np.zeros(9)
    best: tuple[float, list] = (0.0, [])
    for reading, prior in every_reading(9, meters, priors):
        joint = prior * likelihood(reading, log_odds)
        total += joint
        one += joint * np.array([p == 0 for _, p, _ in reading])
        best = max(best, (joint, reading), key=lambda item: item[0])
    found = best_bars(log_odds, meters, priors)
    assert found.log_likelihood == pytest.approx(np.log(total), abs=1e-9)
    assert np.allclose(found.one_probability, one / total, atol=1e-9)
    joint = likelihood(list(zip(found.beats_per_bar, found.count - 1, strict=True)), log_odds)
    assert joint == pytest.approx(likelihood(best[1], log_odds))


@pytest.mark.parametrize(("meter", "phase"), list(itertools.product(METERS, (0, 1))))
def test_every_meter_and_phase_is_found(meter, phase):
    log_odds = np.full(10 * meter, -2.5)
    log_odds[phase::meter] = 2.5
    found = best_bars(log_odds, METERS)
    assert set(found.beats_per_bar.tolist()) == {meter}
    assert (np.flatnonzero(found.count == 1) % meter == phase).all()


def test_the_meter_may_change_at_a_bar_line():
    ones = [*range(0, 40, 4), *range(40, 68, 7), *range(68, 108, 4)]
    log_odds = np.full(108, -6.0)
    log_odds[ones] = 6.0
    found = best_bars(log_odds, METERS)
    assert np.flatnonzero(found.count == 1).tolist() == ones


def test_a_bar_of_two_may_be_thrown_in():
    ones = [*range(0, 24, 4), 24, *range(26, 50, 4)]
    log_odds = np.full(50, -1.5)
    log_odds[ones] = 1.5
    found = best_bars(log_odds, METERS)
    assert np.flatnonzero(found.count == 1).tolist() == ones
    assert np.flatnonzero(found.beats_per_bar == 2).tolist() == [24, 25]
    # A hint names the meter of every bar.
    assert set(best_bars(log_odds, (4,)).beats_per_bar.tolist()) == {4}


@pytest.mark.parametrize("one", range(12))
def test_rotation_makes_any_beat_a_one_and_keeps_the_bars(one):
    log_odds = np.full(30, -3.0)
    log_odds[1::3] = 3.0
    found = rotated(best_bars(log_odds, METERS), one)
    assert found.count[one] == 1
    assert np.array_equal(found.count, (np.arange(30) - one) % 3 + 1)


def test_no_beats():
    assert len(best_bars(np.zeros(0), METERS).count) == 0
