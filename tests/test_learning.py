"""The course of a training run's rate, against its closed form."""

import pytest

from eval.train.learning import Learning, rate_at


def test_the_rate_warms_up_and_falls_along_half_a_cosine():
    assert rate_at(1.0, 0, 0.0) == pytest.approx(1 / 200)
    assert rate_at(1.0, 99, 0.0) == pytest.approx(0.5)
    assert rate_at(2e-3, 199, 0.0) == pytest.approx(2e-3)
    assert rate_at(2e-3, 10_000, 0.5) == pytest.approx(2e-3 * (0.99 / 2 + 0.01))
    assert rate_at(2e-3, 10_000, 1.0) == pytest.approx(2e-5)


def test_plans_differ_only_in_what_is_their_own():
    from eval.reader.training import Plan as ReaderPlan
    from eval.train.training import Plan as PulsePlan

    usual = Learning()
    for plan in (ReaderPlan(), PulsePlan()):
        assert (plan.seed, plan.batch, plan.rate) == (usual.seed, usual.batch, usual.rate)
