"""The fit of doubtful strokes: a closed form, a planted truth, and what is counted as doubtful. No data set needed."""

import numpy as np
import pytest

from eval.take.fitting_doubt import BY_CODE, Doubtful, Weights, doubtful, fit_weights, loss, weighed
from eval.take.kit_sound import render
from pulsefind.take.doubt import by_both, by_rises
from pulsefind.take.records import TakeHits


def _rows(*groups):
    """(values, n, played) groups: n rows of these values, so many of them played."""
    return np.array([(*values, float(k < played)) for values, n, played in groups for k in range(n)])


def test_with_two_scores_the_fit_gives_the_counted_odds():
    # With as many parameters as groups, maximum likelihood gives each group its own odds (a closed form).
    alone = _rows(((0.0,), 80, 8), ((4.0,), 50, 40))
    both = _rows(((-2.0, 0.0), 60, 12), ((-1.0, 0.0), 60, 24), ((-2.0, 4.0), 70, 42))
    found = fit_weights([Doubtful("made", "drummer1", alone, both)])
    odds = np.log([8 / 72, 40 / 10])
    assert found.of_alone(np.array([[0.0], [4.0]])) == pytest.approx(odds, abs=0.01)
    odds = np.log([12 / 48, 24 / 36, 42 / 28])
    assert found.of_both(np.array([[-2.0, 0.0], [-1.0, 0.0], [-2.0, 4.0]])) == pytest.approx(odds, abs=0.01)


def test_a_kit_counts_alike_however_many_strokes_it_has():
    few, many = _rows(((0.0,), 20, 4), ((1.0,), 20, 10)), _rows(((0.0,), 400, 160), ((1.0,), 400, 200))
    both = _rows(((0.0, 0.0), 4, 2), ((1.0, 0.0), 4, 2), ((0.0, 1.0), 4, 2))
    found = fit_weights([Doubtful("made", "a", few, both), Doubtful("font", "b", many, both)])
    # A fifth and two fifths, of equal weight: three tenths.
    assert found.of_alone(np.array([[0.0]]))[0] == pytest.approx(np.log(0.3 / 0.7), abs=0.01)


def test_planted_weights_are_found_again():
    rng = np.random.default_rng(0)
    planted = Weights((-3.0, 0.9), 2.0, 0.7, 0.5)

    def made(*columns, odds_of):
        values = np.stack(columns, axis=1)
        return np.c_[values, rng.random(len(values)) < 1 / (1 + np.exp(-odds_of(values)))]

    alone = made(rng.uniform(0, 8, 20000), odds_of=planted.of_alone)
    both = made(rng.uniform(-3, 0, 20000), rng.uniform(0, 8, 20000), odds_of=planted.of_both)
    found = fit_weights([Doubtful("made", "drummer1", alone, both)])
    assert found.rise == pytest.approx(planted.rise, abs=0.15)
    assert (found.both, found.of_network, found.of_attack) == pytest.approx((2.0, 0.7, 0.5), abs=0.15)
    assert loss(found.of_alone(alone), alone[:, -1]) < loss(BY_CODE.of_alone(alone), alone[:, -1])


def test_log_loss_is_that_of_a_library():
    from sklearn.metrics import log_loss

    rng = np.random.default_rng(1)
    log_odds, truth = rng.normal(0, 2, 200), (rng.random(200) < 0.4).astype(float)
    assert loss(log_odds, truth) == pytest.approx(log_loss(truth, 1 / (1 + np.exp(-log_odds))))


def test_what_is_weighed_is_what_by_both_weighs():
    """The rows that are fitted to give, with the code's weights, the log odds that the command works with."""
    half = [(2.0, "cymbal", -9.0, -1.5), (1.01, "cymbal", 0.0, -0.5)]
    sure = [(1.0, "snare", 0.0, 2.0)]
    attacks = [(2.01, "cymbal", 0.0, by_rises(5.0)), (3.0, "kick", 0.0, by_rises(1.5)), (1.0, "snare", 0.0, 2.0)]
    found = doubtful("made", "drummer1", np.array([1.0, 2.015]), half, sure, attacks)
    # Of the attacks only the kick's has nothing named beside it; of what is half heard only what is alone.
    assert found.alone == pytest.approx(np.array([[1.5, 0.0]]))
    assert found.both == pytest.approx(np.array([[-1.5, 5.0, 1.0]]))
    assert BY_CODE.of_both(found.both)[0] == pytest.approx(by_both(half, sure, attacks)[1][3])
    assert BY_CODE.of_alone(found.alone)[0] == pytest.approx(by_rises(1.5))


def test_what_the_command_weighs_is_read_from_a_sound():
    rng = np.random.default_rng(2)
    time_s = 0.5 + 0.25 * np.arange(40)
    hits = TakeHits(time_s, ("kick", "hat", "snare", "hat") * 10, rng.uniform(15, 120, 40), "velocity", 11.0, "midi")
    half, sure, attacks = weighed(render(hits, rng))
    assert len(sure) >= 20 and len(attacks) >= 20
    found = doubtful("made", "drummer1", hits.time_s, half, sure, attacks)
    assert found.alone.shape[1] == 2 and found.both.shape[1] == 3
    # Silence weighs nothing.
    assert weighed(np.zeros(44100)) == ([], [], [])
