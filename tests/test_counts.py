"""Spoken counts. The worked examples are common practice, no source."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pulsefind.core.counts import SYLLABLES, label, parse_label, place_at, slot_positions
from pulsefind.core.errors import HintError
from pulsefind.core.records import GridSection


def test_the_worked_example_of_common_practice():
    # At 60 bpm in 4/4 a beat lasts a second, so seconds into the bar are beats from the 1.
    assert [place_at(t, 4, 4) for t in (0.25, 1.5, 2.0, 2.75, 3.5)] == ["1e", "2&", "3", "3a", "4&"]
    assert [place_at(t, 4, 2) for t in (1.5, 3.5)] == ["2&", "4&"]


def test_triplets_and_six_eight():
    assert [place_at(k / 3, 4, 3) for k in range(6)] == ["1", "1trip", "1let", "2", "2trip", "2let"]
    assert [place_at(k / 2, 6, 2) for k in (0, 1, 6, 11)] == ["1", "1&", "4", "6&"]


@given(st.integers(1, 12), st.sampled_from([1, 2, 3, 4, 6]), st.data())
def test_labels_can_be_read_back(count, slots, data):
    slot = data.draw(st.integers(0, slots - 1))
    assert parse_label(label(count, slot, slots)) == (count, SYLLABLES[slots][slot])


@pytest.mark.parametrize("text", ["", "&", "0", "2b", "e1", "2&&", "two"])
def test_what_is_no_count_is_refused(text):
    with pytest.raises(HintError, match="is no count"):
        parse_label(text)


def test_slots_of_a_shuffle_lie_on_the_triplet():
    # A long : short ratio of 2 : 1 is the triplet shuffle (common practice, no source).
    assert slot_positions(GridSection(0, 0, 2, 2.0)) == pytest.approx([0, 2 / 3])
    assert slot_positions(GridSection(0, 0, 4, 2.0)) == pytest.approx([0, 1 / 3, 1 / 2, 5 / 6])
    assert slot_positions(GridSection(0, 0, 4, 1.0)) == pytest.approx([0, 0.25, 0.5, 0.75])


@given(st.sampled_from([1, 2, 3, 4, 6]), st.floats(1.0, 3.5))
def test_slots_increase_and_stay_within_the_beat(slots, ratio):
    position = slot_positions(GridSection(0, 0, slots, ratio))
    assert position[0] == 0
    assert (np.diff(position) > 0).all()
    assert position[-1] < 1
