"""How sure the decoder is, section by section."""

import dataclasses
import json

import numpy as np
import pytest
from made_activations import NO_HARMONY, activations, song, values_of
from making import pulse
from pagemaking import analysis_of, hits_at

from pulsefind.beats.confidence import beat_phase_share, by_section, phase_shares
from pulsefind.beats.decode import decode
from pulsefind.core.errors import FormatError
from pulsefind.core.records import Activations, SectionConfidence, Settings
from pulsefind.report.terminal import report
from pulsefind.saved import from_json, to_json


def test_the_share_of_a_phase_is_that_of_one_mean_bar():
    # Bars of four whose 1 has log odds 2, 0, 0, 0 in the mean: softmax by hand.
    log_odds = np.tile([2.0, 0.0, 0.0, 0.0], 10) + np.repeat([0.5, -0.5], 20)
    share = phase_shares(log_odds, np.tile([1, 2, 3, 4], 10), 4)
    assert share == pytest.approx(np.exp([2.0, 0, 0, 0]) / (np.exp(2) + 3))
    assert beat_phase_share(0.0) == 0.5 and beat_phase_share(np.log(9)) == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("n_bars", "edges"), [(3, [3]), (23, [23]), (24, [16, 24]), (40, [16, 32, 40]), (39, [16, 39])]
)
def test_sections_have_sixteen_bars_and_cover_all(n_bars, edges):
    count = np.tile([1, 2, 3], n_bars)
    found = by_section(np.zeros(len(count)), np.zeros(len(count)), count, np.full(len(count), 3))
    assert [section.last_bar + 1 for section in found] == edges
    assert [section.first_bar for section in found] == [0, *edges[:-1]]
    assert by_section(np.zeros(0), np.zeros(0), np.zeros(0, int), np.zeros(0, int)) == ()


def test_a_pickup_is_a_bar():
    count = np.r_[3, np.tile([1, 2, 3], 16)]
    (only,) = by_section(np.zeros(len(count)), np.zeros(len(count)), count, np.full(len(count), 3))
    assert only.last_bar == 16


def heard(vague=None, other_half=None):
    """49 bars; in some of them no beat stands out as the 1, in some the middles are marked as strongly as the beats."""
    truth = song((4, 49, 160))
    values = values_of(truth.time_s, truth.count, truth.time_s[-1] + 1)
    sound = activations(values)
    log_odds, halves = sound.downbeat_log_odds.copy(), sound.phase_log_odds.copy()
    frame = np.round(truth.time_s * 100).astype(int)
    if vague:
        log_odds[frame[4 * vague[0]] - 3 : frame[4 * vague[1]] - 3] = 0.0
    if other_half:
        halves[frame[4 * other_half[0]] - 3 : frame[4 * other_half[1]] - 3] = 0.0
    return Activations(sound.values, log_odds, halves, 100.0)


def test_only_the_section_without_a_clear_1_is_in_doubt():
    found = decode(heard(vague=(16, 32)), NO_HARMONY, Settings()).sections
    assert [(s.first_bar, s.last_bar) for s in found] == [(0, 15), (16, 31), (32, 48)]
    assert found[1].one == pytest.approx(0.25, abs=0.02) and min(found[0].one, found[2].one) > 0.9


def test_only_the_section_without_a_clear_half_is_in_doubt():
    found = decode(heard(other_half=(32, 48)), NO_HARMONY, Settings()).sections
    clear = found[0].half
    assert clear == pytest.approx(found[1].half, abs=0.01) and clear > 0.95
    # In one bar of 17 the beats are as clear as elsewhere, but for the last, which has no middle after it.
    assert found[2].half == pytest.approx(beat_phase_share(np.log(clear / (1 - clear)) * 3 / 68), abs=0.01)
    assert found[2].one < 0.6


def reported(*ones):
    beat = pulse(4 * 16 * len(ones))
    made = analysis_of(beat, hits_at(beat.time_s), "song.wav", 0.9)
    sections = tuple(SectionConfidence(16 * k, 16 * k + 15, one, 1.0) for k, one in enumerate(ones))
    return dataclasses.replace(made, confidence=dataclasses.replace(made.confidence, sections=sections))


def test_the_report_names_bars_in_doubt():
    assert "Bars 33-48: the 1 may be elsewhere." in report(reported(0.9, 0.8, 0.3, 0.9))
    assert "Bars 17-48: the 1 may be elsewhere." in report(reported(0.9, 0.4, 0.3, 0.9))
    assert "may be elsewhere" not in report(reported(0.9, 0.8, 0.6))
    assert "may be elsewhere" not in report(reported(0.3, 0.3))


def test_sections_are_saved_and_checked():
    made = reported(0.9, 0.4)
    assert from_json(to_json(made)).confidence == made.confidence
    for field, value in (("last_bar", 99), ("one", 1.5), ("first_bar", 3)):
        document = json.loads(to_json(made))
        document["confidence"]["sections"][1][field] = value
        with pytest.raises(FormatError, match="damaged"):
            from_json(json.dumps(document))
    document = json.loads(to_json(made))
    del document["confidence"]["sections"], document["confidence"]["half"]
    assert from_json(json.dumps(document)).confidence.sections == ()
