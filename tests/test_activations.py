"""The networks side by side."""

import numpy as np
import pytest
from making import RATE_HZ
from scipy import special

from pulsefind.core import cache
from pulsefind.core.errors import HintError
from pulsefind.listen.activations import activations, downbeat_log_odds, weighed
from pulsefind.listen.audio import crop, from_samples
from pulsefind.listen.sounding import sounding


@pytest.fixture(scope="module")
def part(demo_song):
    return crop(from_samples(demo_song[0], RATE_HZ), 0.0, 12.0)[0]


def test_each_network_hears_the_beats(demo_song, part):
    frame = np.round(demo_song[1].beat_s[demo_song[1].beat_s < 11.5] * 100).astype(int)
    for network in ("own", "stock", "both"):
        heard = activations(part, network, use_cache=True)
        either = heard.values.sum(axis=1)
        near = np.array([either[max(0, k - 4) : k + 5].max() for k in frame])
        assert np.median(near) > 5 * np.median(either), network
        assert len(heard.downbeat_log_odds) == len(heard.values)


def test_both_take_beats_mostly_from_the_stock_and_the_one_from_the_mean(part):
    own, stock, both = (activations(part, network, use_cache=True) for network in ("own", "stock", "both"))
    n = len(both.values)
    inside = sounding(stock.values[:n])
    assert inside.stop - inside.start > 0.9 * n
    assert np.array_equal(both.values[inside], weighed(stock.values[inside], own.values[inside], 0.8))
    assert not both.values[: inside.start].any() and not both.values[inside.stop :].any()
    # The last frames may differ: one network gives a frame more than the other, which the longer run looks at.
    mean = (own.downbeat_log_odds[:n] + stock.downbeat_log_odds[:n]) / 2
    assert np.allclose(both.downbeat_log_odds[:-3], mean[:-3], atol=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_two_networks_together_are_the_mean_of_their_log_odds(share):
    rng = np.random.default_rng(5)
    first, second = (rng.dirichlet([5.0, 5.0, 5.0], 50)[:, :2] for _ in range(2))
    together = weighed(first, second, share)
    beat = special.expit(share * special.logit(first.sum(1)) + (1 - share) * special.logit(second.sum(1)))
    ratio = (first[:, 1] / first[:, 0]) ** share * (second[:, 1] / second[:, 0]) ** (1 - share)
    assert together.sum(axis=1) == pytest.approx(beat, abs=1e-4)
    assert together[:, 1] / together[:, 0] == pytest.approx(ratio, rel=1e-3)


def test_a_certain_and_a_silent_network_can_be_weighed():
    certain, silent = np.array([[0.0, 1.0]]), np.array([[0.0, 0.0]])
    together = weighed(certain, silent, 0.8)
    assert np.isfinite(together).all()
    assert 0.9 < together.sum() < 1


def test_odds_compare_the_highest_values_within_20_ms():
    values = np.zeros((9, 2))
    values[4] = [0.1, 0.6]
    odds = downbeat_log_odds(values)
    assert odds[2:7] == pytest.approx(np.full(5, np.log(0.605 / 0.105)))
    assert odds[[0, 8]] == pytest.approx([0, 0])


def test_a_second_run_takes_the_stock_values_from_the_cache(part, monkeypatch):
    first = activations(part, "stock", use_cache=True)
    assert cache.read(f"stock-1-{part.sha256}") is not None

    def refuse(_):
        raise AssertionError("ran again")

    monkeypatch.setattr("pulsefind.listen.activations._stock_values", refuse)
    assert np.array_equal(activations(part, "stock", use_cache=True).values, first.values)
    with pytest.raises(AssertionError, match="ran again"):
        activations(part, "stock", use_cache=False)


def test_an_unknown_network_and_no_sound(part):
    with pytest.raises(HintError, match="there is own, both and stock"):
        activations(part, "theirs", use_cache=False)
    assert activations(from_samples(np.zeros(0), RATE_HZ), "both", use_cache=False).values.shape == (0, 2)
