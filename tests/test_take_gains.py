import numpy as np
import pytest

from pulsefind.take.gains import Block, GainFit, estimate_gains, reliability_of, simulate

# Results of an independent restatement of Jacoby, Tishby, Repp, Ahissar and Keller (2015) on this series.
ASYNCHRONY = np.array([-20, -12, -25, -8, -15, -30, -10, -18, -22, -5, -14, -19], dtype=float)
INTERVAL = np.array([496, 508, 487, 517, 493, 485, 520, 492, 496, 517, 491, 495], dtype=float)


def test_the_published_method_gives_the_restated_values():
    fit = estimate_gains([Block(ASYNCHRONY, INTERVAL)], with_period=False)
    assert fit.phase_gain == pytest.approx(1.3003, abs=5e-5)
    assert fit.timekeeper_sd_ms == pytest.approx(4.375, abs=5e-4)
    assert fit.motor_sd_ms == pytest.approx(3.948, abs=5e-4)
    assert fit.period_gain is None


def test_simulated_asynchronies_have_the_variance_and_covariance_of_the_closed_form():
    # Vorberg and Schulze 2002: variance (sT^2 + 2 a sM^2) / (1 - (1-a)^2), lag-1 covariance (1-a) variance - sM^2.
    rng = np.random.default_rng(1)
    a = simulate(GainFit(0.5, 0.0, None, None, 10.0, 5.0), [400_000], rng)[0].asynchrony_ms
    assert a.var() == pytest.approx(166.667, rel=0.01)
    assert np.cov(a[1:], a[:-1])[0, 1] == pytest.approx(58.333, rel=0.02)


def test_intervals_of_a_simulated_series_are_those_between_its_responses():
    block = simulate(GainFit(0.4, 0.0, 0.1, 0.0, 8.0, 4.0), [50], np.random.default_rng(2))[0]
    assert np.diff(block.asynchrony_ms) == pytest.approx(block.interval_ms[1:])


@pytest.mark.parametrize(("phase", "period"), [(0.3, None), (0.6, None), (0.4, 0.08)])
def test_long_series_give_back_their_gains_and_noises(phase, period):
    true = GainFit(phase, 0.0, period, None, 8.0, 4.0)
    fit = estimate_gains(simulate(true, [20_000], np.random.default_rng(3)), period is not None)
    assert fit.phase_gain == pytest.approx(phase, abs=0.03)
    assert fit.timekeeper_sd_ms == pytest.approx(8.0, abs=0.3)
    assert fit.motor_sd_ms == pytest.approx(4.0, abs=0.4)
    if period is not None:
        assert fit.period_gain == pytest.approx(period, abs=0.02)


def test_pooled_blocks_tell_what_one_long_block_tells():
    true = GainFit(0.4, 0.0, None, None, 8.0, 4.0)
    fit = estimate_gains(simulate(true, [40] * 500, np.random.default_rng(4)), False)
    assert fit.phase_gain == pytest.approx(0.4, abs=0.03)


def test_noises_stay_within_the_bound():
    # Motor noise alone breaks the bound in most short series; the estimate then stops at equal noises.
    true, rng = GainFit(0.5, 0.0, None, None, 0.1, 8.0), np.random.default_rng(5)
    fits = [estimate_gains(simulate(true, [25], rng), False) for _ in range(60)]
    assert all(0 <= fit.motor_sd_ms <= fit.timekeeper_sd_ms * (1 + 1e-9) for fit in fits)
    assert any(fit.motor_sd_ms == pytest.approx(fit.timekeeper_sd_ms, rel=1e-9) for fit in fits)


def test_short_series_lean_upwards_and_the_reliability_says_so():
    true = GainFit(0.2, 0.0, None, None, 8.0, 3.0)
    rng = np.random.default_rng(6)
    found = [estimate_gains(simulate(true, [30], rng), False).phase_gain for _ in range(300)]
    told = reliability_of(true, [30])
    assert np.mean(found) - 0.2 > 0.05
    assert told.phase_bias == pytest.approx(np.mean(found) - 0.2, abs=0.05)
    assert told.phase_error == pytest.approx(np.std(found), rel=0.35)


def test_too_little_or_nothing_that_moves_gives_no_estimate():
    assert estimate_gains([], False) is None
    assert estimate_gains([Block(np.array([1.0, 2.0]), np.array([0.0, 1.0]))], False) is None
    assert estimate_gains([Block(np.zeros(30), np.zeros(30))], False) is None
