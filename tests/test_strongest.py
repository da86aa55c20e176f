"""Of onsets that lie too close the strongest stays: cases counted by hand, and what must hold of any."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pulsefind.core.strongest import strongest


def test_cases_counted_by_hand():
    at = np.array([0, 20, 100, 130, 150, 400])
    strength = np.array([1.0, 2.0, 3.0, 3.0, 2.0, 0.1])
    # 20 is stronger than 0; 130 is no stronger than 100, and only too close when 30 is not enough.
    assert strongest(at, strength, 30).tolist() == [1, 2, 3, 5]
    assert strongest(at, strength, 31).tolist() == [1, 2, 4, 5]
    assert strongest(at, strength, 51).tolist() == [1, 2, 5]
    assert strongest(at, strength, 0).tolist() == list(range(6))
    assert strongest(np.zeros(0), np.zeros(0), 1.0).tolist() == []


@given(st.lists(st.tuples(st.integers(0, 200), st.integers(0, 5)), max_size=40), st.integers(1, 30))
def test_no_two_that_stay_lie_close_and_each_that_goes_has_a_neighbour_as_strong(rows, apart):
    rows.sort(key=lambda row: row[0])
    at, strength = np.array([a for a, _ in rows], int), np.array([s for _, s in rows], int)
    kept = strongest(at, strength, apart)
    assert (np.diff(at[kept]) >= apart).all()
    for k in set(range(len(rows))) - set(kept.tolist()):
        near = np.abs(at - at[k]) < apart
        near[k] = False
        assert (strength[near] >= strength[k]).any()
