"""A 1 that a person names, exactly or by ear: which beat is meant."""

from dataclasses import replace

import numpy as np
import pytest
from made_activations import NO_HARMONY, activations, found, heard, ones_found, song, values_of

from pulsefind.beats.decode import decode
from pulsefind.beats.one_hint import BY_EAR_S, EXACT_S, among_beats, log_fit, meant
from pulsefind.core.records import Activations, Settings


def strummed_between(truth, level=0.97):
    """What is heard where a guitar between the beats is struck more surely than the beats are."""
    middle_s = truth.time_s + np.median(np.diff(truth.time_s)) / 2
    length_s = truth.time_s[-1] + 1.0
    values = values_of(middle_s, np.full(len(middle_s), 2), length_s, strength=level)
    told = heard(truth, strength=0.6)
    return Activations(np.maximum(values, told.values), told.downbeat_log_odds, told.phase_log_odds, told.frame_rate_hz)


@pytest.mark.parametrize("off_s", [-0.15, -0.12, -0.1, 0.1, 0.12, 0.15])
@pytest.mark.parametrize("bpm", [80, 120, 150, 180])
def test_a_1_named_by_ear_moves_neither_the_half_nor_the_1(bpm, off_s):
    truth = song((4, 10, bpm))
    one_s = float(truth.time_s[truth.count == 1][5])
    for sound in (heard(truth), strummed_between(truth)):
        hints = Settings(one_at_s=one_s + off_s, bpm_low=0.9 * bpm, bpm_high=1.1 * bpm)
        pulse = decode(sound, NO_HARMONY, hints)
        assert found(truth, pulse) > 0.9
        assert ones_found(truth, pulse) > 0.8
        assert not pulse.warnings


@pytest.mark.parametrize("early", [-1, 1])
@pytest.mark.parametrize(("bpm", "away_s"), [(120, 0.15), (150, 0.12), (150, 0.15), (180, 0.12), (180, 0.14)])
def test_a_1_named_by_ear_against_a_sure_count_moves_the_1_and_not_the_half(bpm, away_s, early):
    truth = song((4, 10, bpm))
    sound = heard(replace(truth, count=(truth.count + 1) % 4 + 1))
    one_s = float(truth.time_s[truth.count == 1][5])
    pulse = decode(sound, NO_HARMONY, Settings(one_at_s=one_s + early * away_s, bpm_low=0.9 * bpm, bpm_high=1.1 * bpm))
    assert found(truth, pulse) > 0.9
    assert ones_found(truth, pulse) > 0.8


@pytest.mark.parametrize("bpm", [80, 120, 150, 180])
def test_a_1_named_exactly_between_the_beats_is_put_there_and_said_to_disagree(bpm):
    truth = song((4, 10, bpm))
    middle_s = float(truth.time_s[28]) + 30 / bpm
    pulse = decode(heard(truth), NO_HARMONY, Settings(one_at_s=middle_s))
    assert np.abs(pulse.time_s[pulse.count == 1] - middle_s).min() < 0.02
    assert any("all beats were moved" in warning for warning in pulse.warnings)


def test_a_1_that_no_beat_is_near_moves_all_beats():
    truth = song((4, 12, 50))
    asked_s = float(truth.time_s[20]) + 0.3
    pulse = decode(heard(truth), NO_HARMONY, Settings(one_at_s=asked_s, bpm_low=45, bpm_high=55))
    assert np.abs(pulse.time_s[pulse.count == 1] - asked_s).min() < 1e-9


@pytest.mark.parametrize("bars", [-4, -2, 3, 7])
def test_a_1_named_where_no_beats_are_is_whole_bars_from_one(bars):
    truth = song((4, 10, 120))
    ones_s = truth.time_s[truth.count == 1]
    asked_s = float((ones_s[0] if bars < 0 else ones_s[-1]) + 2.0 * bars)
    pulse = decode(heard(truth), NO_HARMONY, Settings(one_at_s=asked_s))
    assert ones_found(truth, pulse) > 0.9


@pytest.mark.parametrize("off_s", np.arange(0.3, 12, 1.3))
def test_a_1_named_anywhere_after_the_beats_gives_beats_in_order(off_s):
    truth = song((4, 4, 120), (4, 4, 110), (3, 4, 100))
    pulse = decode(heard(truth), NO_HARMONY, Settings(one_at_s=float(truth.time_s[-1] + off_s)))
    assert len(pulse.time_s) > 30 and (np.diff(pulse.time_s) > 0.3).all()


def test_times_among_the_beats_stay_and_others_move_by_bars():
    time_s = 10 + np.arange(12) * 0.5
    assert [among_beats(time_s, 3, at_s) for at_s in (9.8, 12.3, 15.7)] == [9.8, 12.3, 15.7]
    assert among_beats(time_s, 3, 9.6) == pytest.approx(11.1)
    assert among_beats(time_s, 3, 2.2) == pytest.approx(11.2)
    assert among_beats(time_s, 3, 16.0) == pytest.approx(14.5)
    assert among_beats(time_s, 3, 30.1) == pytest.approx(15.1)


def test_the_fit_is_an_even_mixture_of_two_normal_densities():
    from scipy.stats import norm

    away_s = np.linspace(0, 0.3, 31)
    mixture = 0.5 * norm.pdf(away_s, 0, EXACT_S) + 0.5 * norm.pdf(away_s, 0, BY_EAR_S)
    assert np.allclose(log_fit(away_s), np.log(mixture * np.sqrt(2 * np.pi)))


def test_between_two_beats_the_sound_tells_which_is_meant():
    time_s, count = np.arange(8) * 0.3, np.arange(8) % 4 + 1
    sure = np.array([0.94, 0.02, 0.02, 0.02])
    assert meant(time_s, count, sure, 1.33)[0] == 4
    assert meant(time_s, count, sure, 1.07)[0] == 4
    assert meant(time_s, count, sure, 1.5)[0] == 5
    assert meant(time_s, count, np.full(4, 0.25), 1.07)[0] == 4
    assert meant(time_s, count, np.full(4, 0.25), 1.03)[0] == 3


def test_a_few_beats_without_a_1_can_still_be_given_one():
    truth = song((7, 1, 120))
    few = activations(values_of(truth.time_s[1:6], truth.count[1:6], truth.time_s[-1]))
    pulse = decode(few, NO_HARMONY, Settings(one_at_s=float(truth.time_s[3]), meter=(7, 4)))
    assert pulse.count[np.argmin(np.abs(pulse.time_s - truth.time_s[3]))] == 1
