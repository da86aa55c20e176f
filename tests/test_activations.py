"""The networks side by side."""

import sys

import numpy as np
import pytest
from making import RATE_HZ

from pulsefind.analysis import analyse
from pulsefind.core import cache
from pulsefind.core.errors import HintError
from pulsefind.core.records import Settings
from pulsefind.listen.activations import OWN, STOCK, activations, downbeat_log_odds
from pulsefind.listen.audio import crop, from_samples


@pytest.fixture(scope="module")
def part(demo_song):
    return crop(from_samples(demo_song[0], RATE_HZ), 0.0, 12.0)[0]


def test_each_network_hears_the_beats(demo_song, part):
    frame = np.round(demo_song[1].beat_s[demo_song[1].beat_s < 11.5] * 100).astype(int)
    for network in (OWN, STOCK):
        heard = activations(part, network, use_cache=True)
        either = heard.values.sum(axis=1)
        near = np.array([either[max(0, k - 4) : k + 5].max() for k in frame])
        assert np.median(near) > 5 * np.median(either), network
        assert len(heard.downbeat_log_odds) == len(heard.values)


def test_the_stock_networks_hear_a_quiet_recording_as_a_loud_one(part):
    quiet = from_samples(np.array(part.samples) / 64, RATE_HZ)
    loud, soft = (activations(audio, STOCK, use_cache=True).values for audio in (part, quiet))
    np.testing.assert_allclose(soft, loud, atol=1e-4)


def test_odds_compare_the_highest_values_within_20_ms():
    values = np.zeros((9, 2))
    values[4] = [0.1, 0.6]
    odds = downbeat_log_odds(values)
    assert odds[2:7] == pytest.approx(np.full(5, np.log(0.605 / 0.105)))
    assert odds[[0, 8]] == pytest.approx([0, 0])


def test_a_second_run_takes_the_stock_values_from_the_cache(part, monkeypatch):
    first = activations(part, "stock", use_cache=True)
    assert cache.read(f"stock-2-{part.sha256}") is not None

    def refuse(_):
        raise AssertionError("ran again")

    monkeypatch.setattr("pulsefind.listen.stock._values", refuse)
    assert np.array_equal(activations(part, "stock", use_cache=True).values, first.values)
    with pytest.raises(AssertionError, match="ran again"):
        activations(part, "stock", use_cache=False)


def test_madmom_that_is_not_there_is_one_line(part, monkeypatch):
    monkeypatch.setitem(sys.modules, "madmom.audio.signal", None)
    with pytest.raises(HintError, match=r"pip install 'pulsefind\[madmom\]'"):
        activations(part, STOCK, use_cache=False)


def test_an_unknown_network_and_no_sound(part):
    with pytest.raises(HintError, match="choose own, both or stock"):
        analyse(part, Settings(network="theirs", use_cache=False))
    for network in (OWN, STOCK):
        assert activations(from_samples(np.zeros(0), RATE_HZ), network, use_cache=False).values.shape == (0, 2)
