"""Faint strokes, taken or left by the player's own pattern; the takes are made here, with known strokes."""

from dataclasses import replace

import numpy as np
import pytest

from eval.take.kit_sound import RATE_HZ, render
from eval.take.simulation import make_track
from pulsefind.listen.audio import from_samples
from pulsefind.take.matching import match
from pulsefind.take.records import TakeHits
from pulsefind.take.strokes import find_strokes

TRACK = make_track(120.0, 12, lead_s=1.0)
"""Bars of 2 s from 1 s on."""

HATS_S = 1.0 + 0.25 * np.arange(96)
EMPTY = 41
"""The hat that is left out: the and of 1 in the sixth bar, at 11.25 s."""


def hats(time_s, level_db=0.0) -> TakeHits:
    n = len(time_s)
    return TakeHits(np.array(time_s), ("cymbal",) * n, np.full(n, level_db), "dB", 26.0, "audio")


def taken(faint_s, log_odds=0.0, empty=(EMPTY,)):
    """Which of some faint hats are taken beside hats on every half beat but one, or some."""
    sure = hats(np.delete(HATS_S, empty))
    faint = replace(hats(faint_s, -25.0), log_odds=np.full(len(faint_s), log_odds))
    hits = TakeHits(sure.time_s, sure.kind, sure.level, "dB", 26.0, "audio", faint=faint)
    found = match(TRACK, hits, hits.time_s, hits.faint.time_s).played
    return sorted(set(found.time_s) - set(sure.time_s))


def test_a_faint_stroke_on_an_empty_place_of_the_pattern_is_taken():
    assert taken([HATS_S[EMPTY] + 0.01]) == pytest.approx([HATS_S[EMPTY] + 0.01])


@pytest.mark.parametrize("at_s", [HATS_S[EMPTY] + 0.04, HATS_S[EMPTY] + 0.125, HATS_S[EMPTY + 1] + 0.015])
def test_one_far_from_the_place_or_off_the_pattern_or_where_one_was_struck_is_not(at_s):
    assert taken([at_s]) == []


def test_sound_and_habit_add_up():
    # On a place struck in all eight bars around, habit says log(8.5 / 0.5) = 2.83; in half of them nothing.
    place = HATS_S[EMPTY]
    assert len(taken([place], -2.7)) == 1 and taken([place], -3.0) == []
    half = [EMPTY + 8 * bars for bars in (-2, -1, 0, 1, 2)]
    assert len(taken([place], 0.1, half)) == 1 and taken([place], -0.1, half) == []


def test_of_two_on_one_place_one_is_taken():
    assert len(taken([HATS_S[EMPTY] - 0.012, HATS_S[EMPTY] + 0.014])) == 1


def test_a_note_that_was_left_out_stays_left_out_in_sound():
    """Soft hats on every half beat over ringing crashes, one in ten left out; what was not played must not be found."""
    rng = np.random.default_rng(5)
    left_out = np.sort(rng.choice(np.arange(1, 96), 10, replace=False))
    played = np.setdiff1d(np.arange(96), left_out)
    crash_s = 1.0 + 2.0 * np.arange(12)
    time_s = np.r_[HATS_S[played], crash_s]
    order = np.argsort(time_s, kind="stable")
    kind = np.array(["hat"] * len(played) + ["cymbal"] * 12)[order]
    level = np.r_[np.full(len(played), 45.0), np.full(12, 100.0)][order]
    hits = TakeHits(time_s[order], tuple(kind.tolist()), level, "velocity", 26.0, "midi")
    heard = find_strokes(from_samples(render(hits, rng), RATE_HZ))
    assert heard.faint is not None
    sure = match(TRACK, heard, heard.time_s).played
    found = match(TRACK, heard, heard.time_s, heard.faint.time_s).played

    def near(hits, places):
        return sum(np.abs(hits.time_s - HATS_S[k]).min() < 0.025 for k in places)

    assert near(found, played) >= near(sure, played)
    assert near(found, left_out) <= near(sure, left_out) + 1
