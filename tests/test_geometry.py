"""Where bars begin and end, which bar holds a beat, runs of bars: against loops that count."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pulsefind.beats.bars import lay_bars
from pulsefind.core.arrays import check_lengths, most_common, runs
from pulsefind.core.records import Bars, Beats, Pulse


def bars_of(count, beats_per_bar=4, step_s=0.5):
    """Bars of counted beats a step apart, and the beats."""
    n = len(count)
    time_s = 1.0 + step_s * np.arange(n)
    pulse = Pulse(time_s, np.array(count), np.full(n, beats_per_bar), 4, 1.0, 1.0, 1.0)
    beats = Beats(time_s, np.ones(n), np.zeros(n, bool))
    return lay_bars(pulse, beats), beats


def runs_slowly(mask):
    found, first = [], None
    for k, marked in enumerate([*mask, False]):
        if marked and first is None:
            first = k
        if not marked and first is not None:
            found.append((first, k - 1))
            first = None
    return found


@given(st.lists(st.booleans(), max_size=30))
def test_runs_are_those_of_a_loop(mask):
    assert runs(np.array(mask, bool)) == runs_slowly(mask)


@given(st.lists(st.integers(0, 7), min_size=1, max_size=30))
def test_the_most_common_is_the_smallest_of_those_that_occur_most(values):
    most = max(values.count(value) for value in values)
    assert most_common(np.array(values)) == min(value for value in values if values.count(value) == most)


def test_nothing_is_most_common_in_nothing():
    assert most_common(np.zeros(0, np.int64)) == 0


def test_a_pickup_two_bars_and_a_bar_cut_off():
    bars, beats = bars_of([4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2])
    assert bars.has_pickup
    assert bars.usual_beats == 4
    assert bars.bar_of_beat.tolist() == [0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3]
    assert bars.ends_s.tolist() == [1.5, 3.5, 5.5, 6.5]
    assert bars.edges_s(beats).tolist() == [1.0 + 0.5 * k for k in range(12)]
    stretch = bars.stretch(1, 2)
    assert (stretch.first_bar, stretch.last_bar, stretch.start_s, stretch.end_s) == (1, 2, 1.5, 5.5)
    marked = bars.stretches(np.array([True, False, True, True]))
    assert [(s.first_bar, s.last_bar, s.start_s, s.end_s) for s in marked] == [(0, 0, 1.0, 1.5), (2, 3, 3.5, 6.5)]
    assert bars.with_neighbours(["a", "b", "c", "d"]) == ["b", "b", "c", "c"]


def test_full_bars_keep_their_own_values():
    bars, _ = bars_of([1, 2, 3, 4, 1, 2, 3, 4])
    assert not bars.has_pickup
    assert bars.with_neighbours([1, 2]) == [1, 2]


def test_no_bars_have_no_geometry():
    nothing = np.zeros(0)
    bars = Bars(nothing, nothing, nothing, nothing, nothing, nothing, 0.0, 4)
    assert not bars.has_pickup
    assert bars.usual_beats == 0
    assert bars.ends_s.tolist() == [] and bars.bar_of_beat.tolist() == []
    assert bars.stretches(np.zeros(0, bool)) == () and bars.with_neighbours([]) == []


def test_fields_of_different_length_are_named():
    beats = Beats(np.arange(2.0), np.ones(2), np.zeros(2, bool))
    assert check_lengths(beats, "time_s", "carried") == 2
    with pytest.raises(ValueError, match="time_s, confidence and carried differ in length"):
        Beats(np.arange(2.0), np.ones(2), np.zeros(3, bool))
