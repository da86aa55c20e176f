"""Strokes against annotations: what eval counts as found."""

import numpy as np
import pytest

from eval.take.struck import compared, f_of, struck_table
from pulsefind.take.records import TakeHits


def test_strokes_are_matched_one_to_one_within_30_ms_kind_by_kind():
    time_s = np.array([1.0, 1.012, 2.02, 3.04, 4.0])
    hits = TakeHits(time_s, ("kick", "cymbal", "kick", "kick", "snare"), np.zeros(5), "dB", 5.0, "audio")
    annotated = {
        "KD": np.array([1.0, 2.0, 3.0]),
        "TT": np.array([4.01]),
        "HH": np.array([1.0, 2.5]),
        "CY": np.array([1.0]),
        "OT": np.array([4.5]),
    }
    kick, snare, cymbal = compared("song", hits, annotated)
    # 3.04 s lies 40 ms beside 3.0 s; F = 2 * 2 / (3 + 3). A crash on a hat is one stroke of what sounds like cymbals.
    assert (kick.annotated, kick.heard, kick.both) == (3, 3, 2) and f_of([kick]) == pytest.approx(2 / 3)
    assert kick.offset_ms == pytest.approx(10.0)
    assert snare.both == 1 and snare.offset_ms == pytest.approx(-10.0)
    assert (cymbal.annotated, cymbal.heard, cymbal.both) == (2, 1, 1)
    # All together: 2 * (2 + 1 + 1) / (6 annotated + 5 heard).
    assert f_of([kick, snare, cymbal]) == pytest.approx(8 / 11)
    assert "0.73" in struck_table([kick, snare, cymbal]).splitlines()[-1]


def test_nothing_heard_and_nothing_annotated_is_no_stroke():
    nothing = TakeHits(np.zeros(0), (), np.zeros(0), "dB", 5.0, "audio")
    assert [row.both for row in compared("song", nothing, {})] == [0, 0, 0]
    assert f_of([]) == 0.0
