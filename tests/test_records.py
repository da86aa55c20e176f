"""Records refuse what could not be true."""

import dataclasses

import numpy as np
import pytest

from pulsefind.core.records import Activations, Bars, Beats, Hits, Pulse, Sound

SOUND = Sound(8000.0, 50.0, 0.3)


def beats(time_s, confidence=None):
    n = len(time_s)
    return Beats(np.array(time_s), np.full(n, 0.5) if confidence is None else confidence, np.zeros(n, bool))


def test_times_must_increase_and_be_numbers():
    with pytest.raises(ValueError, match="time_s must increase"):
        beats([0.0, 1.0, 1.0])
    with pytest.raises(ValueError, match="NaN"):
        beats([0.0, np.nan])
    with pytest.raises(ValueError, match=r"0\.\.1"):
        beats([0.0, 1.0], np.array([0.5, 1.5]))
    with pytest.raises(ValueError, match="differ in length"):
        beats([0.0, 1.0], np.array([0.5]))


def test_records_can_not_be_changed():
    record = beats([0.0, 1.0])
    with pytest.raises(dataclasses.FrozenInstanceError):
        record.time_s = np.zeros(2)
    with pytest.raises(ValueError, match="read-only"):
        record.time_s[0] = 3.0


def test_counts_lie_within_the_bar():
    with pytest.raises(ValueError, match="count"):
        Pulse(np.array([0.0, 1.0]), np.array([4, 5]), np.array([4, 4]), 4, 1.0, 1.0, 1.0)


def test_activations_are_probabilities():
    with pytest.raises(ValueError, match=r"0\.\.1"):
        Activations(np.array([[0.5, 1.2]]), np.zeros(1), np.zeros(1), 100.0)


def test_bars_cover_the_beats():
    with pytest.raises(ValueError, match="add up"):
        Bars(np.array([0]), np.array([3]), np.array([4]), np.zeros(1), np.array([1]), np.array([1, 2, 3, 4]), 1.0, 4)
    with pytest.raises(ValueError, match="first_beat"):
        Bars(
            np.array([0, 3]),
            np.array([2, 2]),
            np.array([2, 2]),
            np.zeros(2),
            np.array([1, 2]),
            np.arange(4) % 2 + 1,
            1,
            4,
        )


def test_hits_belong_to_a_sound():
    with pytest.raises(ValueError, match="index into sounds"):
        Hits(np.zeros(1), np.zeros(1), np.ones(1), np.ones(1), np.zeros((1, 0)), (), ())


def test_certain_hits_are_those_that_are_not_doubtful():
    hits = Hits(
        [0.1, 0.2, 0.3], [0, 0, 0], [1.0, 2.0, 3.0], [9.0] * 3, np.zeros((3, 0)), (), (SOUND,), [0.0, -0.1, 2.0]
    )
    certain = hits.certain()
    assert certain.time_s.tolist() == [0.1, 0.3] and certain.strength.tolist() == [1.0, 3.0]
    without = Hits([0.1, 0.2], [0, 0], [1.0, 2.0], [9.0] * 2, np.zeros((2, 0)), (), (SOUND,))
    assert without.certain().time_s.tolist() == [0.1, 0.2]


def test_odds_must_be_those_of_the_hits():
    with pytest.raises(ValueError, match="differ in length"):
        Hits([0.1, 0.2], [0, 0], [1.0, 2.0], [9.0] * 2, np.zeros((2, 0)), (), (SOUND,), [0.0])
