"""The networks side by side."""

import numpy as np
import pytest
from making import RATE_HZ

from pulsefind import cache
from pulsefind.activations import activations, downbeat_odds, mean_odds
from pulsefind.audio import crop, from_samples
from pulsefind.errors import HintError


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
        assert len(heard.downbeat_odds) == len(heard.values)


def test_both_networks_count_alike(part):
    own, stock, both = (activations(part, network, use_cache=True) for network in ("own", "stock", "both"))
    n = len(both.values)
    lower, higher = np.sort([own.values[:n].sum(axis=1), stock.values[:n].sum(axis=1)], axis=0)
    either = both.values.sum(axis=1)
    assert ((either >= np.maximum(lower, 1e-4) - 1e-9) & (either <= np.minimum(higher, 1 - 1e-4) + 1e-9)).all()
    # The last frames may differ: one network gives a frame more than the other, which the longer run looks at.
    mean = (own.downbeat_odds[:n] + stock.downbeat_odds[:n]) / 2
    assert np.allclose(both.downbeat_odds[:-3], mean[:-3], atol=1e-9)


def test_joined_odds_by_hand():
    # Odds of a beat 9 and 1/9 cancel; of its being a downbeat 4 (0.72 of 0.9) and 1 (0.05 of 0.1): the mean is 2.
    joined = mean_odds([np.array([[0.18, 0.72]]), np.array([[0.05, 0.05]])])
    assert joined == pytest.approx(np.array([[0.5 / 3, 0.5 * 2 / 3]]))
    one = np.array([[0.3, 0.1]])
    assert np.array_equal(mean_odds([one]), one)
    assert mean_odds([one, one]) == pytest.approx(one)


def test_odds_compare_the_highest_values_within_20_ms():
    values = np.zeros((9, 2))
    values[4] = [0.1, 0.6]
    odds = downbeat_odds(values)
    assert odds[2:7] == pytest.approx(np.full(5, np.log(0.605 / 0.105)))
    assert odds[[0, 8]] == pytest.approx([0, 0])


def test_a_second_run_takes_the_stock_values_from_the_cache(part, monkeypatch):
    first = activations(part, "stock", use_cache=True)
    assert cache.read(f"stock-1-{part.sha256}") is not None

    def refuse(_):
        raise AssertionError("ran again")

    monkeypatch.setattr("pulsefind.activations._stock_values", refuse)
    assert np.array_equal(activations(part, "stock", use_cache=True).values, first.values)
    with pytest.raises(AssertionError, match="ran again"):
        activations(part, "stock", use_cache=False)


def test_an_unknown_network_and_no_sound(part):
    with pytest.raises(HintError, match="there is both, own and stock"):
        activations(part, "theirs", use_cache=False)
    assert activations(from_samples(np.zeros(0), RATE_HZ), "both", use_cache=False).values.shape == (0, 2)
