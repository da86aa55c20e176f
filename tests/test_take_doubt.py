"""Doubtful strokes: the arithmetic of what two ears say together."""

import pytest

from pulsefind.take.doubt import BOTH_LOG_ODDS, MOST_RISE_SCORE, OF_ATTACK, OF_NETWORK, by_both, by_rises

SURE = [(1.0, "snare", 0.0, 2.0)]


def test_network_and_attack_are_weighed_where_nothing_else_is_struck():
    (found,) = by_both([(2.0, "cymbal", -9.0, -1.5)], SURE, [(2.01, "cymbal", 0.0, 0.7), (2.02, "kick", 0.0, -1.0)])
    assert found[:3] == (2.0, "cymbal", -9.0)
    assert found[3] == pytest.approx(BOTH_LOG_ODDS + OF_NETWORK * -1.5 + OF_ATTACK * 0.7)
    # Without an attack nothing rises: a score of 0.
    (alone,) = by_both([(2.0, "cymbal", -9.0, -1.5)], SURE, [(2.03, "cymbal", 0.0, 5.0)])
    assert alone[3] == pytest.approx(BOTH_LOG_ODDS + OF_NETWORK * -1.5 + OF_ATTACK * by_rises(0.0))


def test_beside_a_sure_stroke_or_a_clearer_one_the_attack_says_nothing():
    attacks = [(1.0, "snare", 0.0, 2.8), (3.0, "snare", 0.0, 2.8)]
    under, clearer, less = by_both(
        [(1.01, "cymbal", 0.0, -0.5), (3.0, "snare", 0.0, -0.2), (3.01, "kick", 0.0, -2.0)], SURE, attacks
    )
    assert under[3] == -0.5 and less[3] == -2.0
    assert clearer[3] > BOTH_LOG_ODDS


def test_nothing_gives_nothing_and_scores_beyond_the_most_say_no_more():
    assert by_both([], SURE, []) == []
    assert by_rises(2 * MOST_RISE_SCORE) == by_rises(MOST_RISE_SCORE) > by_rises(1.0)
