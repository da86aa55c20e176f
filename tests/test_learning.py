"""The course of a training run's rate, against its closed form."""

import pytest

from eval.train.learning import Learning, average_into, rate_at, take_step


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


def test_a_step_goes_down_the_loss_with_gradients_cut_to_a_norm_of_one():
    torch = pytest.importorskip("torch")
    network = torch.nn.Linear(2, 1, bias=False)
    with torch.no_grad():
        network.weight.copy_(torch.tensor([[1.0, 2.0]]))
    optimiser = torch.optim.SGD(network.parameters(), lr=123.0)
    # The gradient is (30, 40): cut to a norm of 1 it is (0.6, 0.8).
    take_step(network, optimiser, (network.weight * torch.tensor([[30.0, 40.0]])).sum(), 0.5)
    assert network.weight.detach().tolist()[0] == pytest.approx([1.0 - 0.3, 2.0 - 0.4], abs=1e-6)


def test_averages_follow_quickly_at_first_and_leave_whole_numbers_alone():
    torch = pytest.importorskip("torch")
    mean, count = torch.zeros(2), torch.zeros(1, dtype=torch.long)
    average_into([mean, count], [torch.ones(2), torch.ones(1, dtype=torch.long)], 1)
    assert mean.tolist() == pytest.approx([1 - 2 / 21] * 2)
    assert count.tolist() == [0]
    average_into([mean], [torch.ones(2)], 10**6)
    assert mean.tolist() == pytest.approx([1 - 0.998 * 2 / 21] * 2)
