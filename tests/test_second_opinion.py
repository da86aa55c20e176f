"""Where two pulses of one track agree: on made pulses whose differences are known, and on the demo song."""

import dataclasses

import numpy as np
import pytest
from made_activations import song

from pulsefind.analysis import analyse
from pulsefind.beats.bars import lay_bars
from pulsefind.beats.second_opinion import same_bars, second_opinion
from pulsefind.core.records import Beats, Pulse, Settings
from pulsefind.listen.audio import from_samples


def pulse_of(truth, off_s=0.0, turned=0):
    """The song's pulse, with times and counts moved."""
    count = (truth.count - 1 + turned) % 4 + 1
    return Pulse(truth.time_s + off_s, count, truth.beats_per_bar, 4, 1.0, 1.0, 1.0)


@pytest.fixture
def truth():
    return song((4, 12, 110))


@pytest.fixture
def bars(truth):
    n = len(truth.time_s)
    return lay_bars(pulse_of(truth), Beats(truth.time_s, np.ones(n), np.zeros(n, np.bool_)))


def test_the_same_pulse_agrees_everywhere_and_within_70_ms(truth, bars):
    for off_s in (0.0, 0.05, -0.05):
        told = second_opinion(bars, pulse_of(truth), pulse_of(truth, off_s))
        assert told == "second opinion: the two networks agree in 12 of 12 bars"


def test_beats_elsewhere_are_told_by_their_bars(truth, bars):
    off_s = np.where((np.arange(48) >= 8) & (np.arange(48) < 16), 0.2, 0.0)
    told = second_opinion(bars, pulse_of(truth), pulse_of(truth, off_s))
    assert told.endswith("agree in 10 of 12 bars; one hears other beats in bars 3-4")


def test_another_one_is_told_where_the_beats_are_the_same(truth, bars):
    turned = np.where(np.arange(48) >= 40, 2, 0)
    told = second_opinion(bars, pulse_of(truth), pulse_of(truth, turned=turned))
    assert told.endswith("agree in 10 of 12 bars; one hears another 1 in bars 11-12")


def test_half_the_tempo_is_other_beats_in_every_bar(truth, bars):
    half = dataclasses.replace(
        pulse_of(truth),
        time_s=truth.time_s[::2],
        count=np.tile([1, 2], 12),
        beats_per_bar=np.full(24, 2),
    )
    same_beats, same_ones = same_bars(bars, pulse_of(truth), half)
    assert not same_beats.any()
    assert same_ones.all()


def test_no_bars_and_no_second_pulse(truth, bars):
    empty = np.zeros(0, np.int64)
    nothing = Pulse(np.zeros(0), empty, empty, 4, 0.0, 0.0, 0.0)
    assert "0 of 12 bars; one hears other beats in bars 1-12" in second_opinion(bars, pulse_of(truth), nothing)
    no_bars = lay_bars(nothing, Beats(np.zeros(0), np.zeros(0), np.zeros(0, np.bool_)))
    assert second_opinion(no_bars, nothing, nothing) == ""


def test_it_changes_no_answer(demo_song):
    audio = from_samples(demo_song[0][: 20 * 44100], 44100)
    own, both = (analyse(audio, Settings(network=network)) for network in ("own", "both"))
    assert np.array_equal(own.beats.time_s, both.beats.time_s)
    assert np.array_equal(own.bars.count, both.bars.count)
    assert [w for w in both.warnings if w.startswith("second opinion: the two networks agree in ")]
    assert not [w for w in own.warnings if w.startswith("second opinion")]
