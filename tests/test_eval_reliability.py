"""The reliability table, against counts by hand."""

import numpy as np
import pytest

from eval.records import Answer
from eval.scoring.reliability import cells, reliability, right
from eval.scoring.serial import answer_from_json, answer_to_json


def entry(one, one_kind, beat_kind="right", half=0.95, octave=0.95):
    own = {"sure": {"one": one, "half": half, "octave": octave}, "one_kind": one_kind, "beat_kind": beat_kind}
    return {"systems": {"a": own, "silent": {"sure": None}}}


ENTRIES = [
    entry(0.95, "right"),
    entry(0.93, "shifted by 2"),
    entry(1.0, "right", "double", octave=0.6),
    entry(0.6, "unclear", "off-beat", half=0.3),
    entry(0.4, "unknown", "unclear"),
]


def test_rows_are_counts_by_hand():
    rows = {(r.question, r.low): r for r in reliability(ENTRIES, "a")}
    assert (rows["one", 0.9].n, rows["one", 0.9].right) == (3, 2)
    assert rows["one", 0.9].stated == pytest.approx((0.95 + 0.93 + 1.0) / 3)
    assert (rows["one", 0.5].n, rows["one", 0.5].right) == (1, 0)
    # What is twice too fast has no half to be right about, and what is unclear nothing at all.
    assert (rows["half", 0.9].n, rows["half", 0.9].right) == (2, 2)
    assert (rows["half", 0.0].n, rows["half", 0.0].right) == (1, 0)
    assert (rows["octave", 0.5].n, rows["octave", 0.5].right) == (1, 0)
    assert (rows["octave", 0.9].n, rows["octave", 0.9].right) == (3, 3)
    assert len(rows) == 6
    assert ["the 1", "90 to 100", "96", "67 (2 of 3)"] in cells(list(rows.values()))


def test_a_system_that_says_nothing_has_no_rows():
    assert reliability(ENTRIES, "silent") == [] == reliability(ENTRIES, "absent")


def test_wrong_meter_is_a_wrong_1():
    assert right("one", {"one_kind": "wrong meter", "beat_kind": "right"}) is False


def test_what_a_system_says_of_itself_is_stored():
    answer = Answer(np.array([1.0, 2.0]), None, sure={"one": 0.7, "half": 0.8, "octave": 0.9})
    assert answer_from_json(answer_to_json(answer)).sure == answer.sure
    assert answer_from_json(answer_to_json(Answer(np.zeros(0), None))).sure is None
