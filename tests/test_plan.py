import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from making import bars_of, pulse

from pulsefind.core.records import Guide, GuideHits, Sound, Stretch
from pulsefind.guides.plan import SWITCH_COST, PlanPart, follow_plan, phrase_bars, plan_for, plan_parts


def guide(score, *stretches):
    hits = GuideHits(np.zeros(0), np.zeros(0, int), (), np.zeros(0, bool))
    coverage = tuple(Stretch(a, b, 0.0, 1.0) for a, b in stretches)
    return Guide("tick", Sound(8000.0, 50.0, 0.5), 1, (), hits, coverage, 10.0, 1.0, 1.0, 1.0, 1.0, score)


def test_no_bars_and_no_guides():
    assert follow_plan((), 0) == ()
    assert follow_plan((), 3) == (None, None, None)
    assert plan_parts(()) == ()


def test_alone_only_where_nothing_covers():
    assert follow_plan((guide(0.2, (1, 2)),), 4) == (None, 0, 0, None)


def test_a_short_better_guide_is_not_worth_the_switch_but_a_long_one_is():
    steady = guide(0.5, (0, 39))
    assert follow_plan((guide(0.9, (10, 12)), steady), 40) == (1,) * 40
    plan = follow_plan((guide(0.9, (10, 29)), steady), 40)
    assert plan == (1,) * 10 + (0,) * 20 + (1,) * 10


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_other_plan_is_worth_more(data):
    n_bars = data.draw(st.integers(1, 5))
    guides = []
    for _ in range(data.draw(st.integers(1, 3))):
        first = data.draw(st.integers(0, n_bars - 1))
        last = data.draw(st.integers(first, n_bars - 1))
        guides.append(guide(data.draw(st.floats(0.1, 1.0)), (first, last)))
    covered = [[any(s.first_bar <= b <= s.last_bar for s in g.coverage) for b in range(n_bars)] for g in guides]

    def worth(plan):
        gain = sum(guides[g].score for g in plan if g is not None)
        cost = sum(SWITCH_COST for a, b in itertools.pairwise(plan) if a is not None and b is not None and a != b)
        return gain - cost

    options: list[list[int | None]] = [
        [g for g in range(len(guides)) if covered[g][b]] or [None] for b in range(n_bars)
    ]
    best = max(worth(plan) for plan in itertools.product(*options))
    plan = follow_plan(tuple(guides), n_bars)
    assert all(choice in option for choice, option in zip(plan, options, strict=True))
    assert worth(plan) == pytest.approx(best)


def test_parts_are_runs():
    assert plan_parts((0, 0, None, 1)) == (PlanPart(0, 1, 0), PlanPart(2, 2, None), PlanPart(3, 3, 1))


@pytest.mark.parametrize("length", [3, 4, 5, 6, 8])
def test_phrases_follow_the_changes(length):
    plan = tuple(itertools.chain.from_iterable([k % 2] * length for k in range(7)))
    assert phrase_bars(plan, 0) == length


def test_a_break_that_ends_a_bar_early_does_not_make_phrases_of_three():
    assert phrase_bars((*([0] * 12), *([None] * 3), *([0] * 9)), 0) == 4


def test_phrases_without_changes_are_four_bars_and_a_pickup_is_left_out():
    assert phrase_bars((0,) * 9, 0) == 4
    assert phrase_bars((None, *([0] * 6), *([1] * 6), *([0] * 6), *([1] * 6)), 1) == 6


def test_a_pickup_and_a_cut_last_bar_go_with_their_neighbours():
    bars = bars_of(pulse(15, first_count=3))
    assert bars.beats.tolist() == [2, 4, 4, 4, 1]
    assert plan_for((guide(0.5, (1, 3)),), bars) == (0,) * 5
    assert plan_for((guide(0.5, (2, 2)),), bars) == (None, None, 0, None, None)
