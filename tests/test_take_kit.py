"""What was struck and when is the take network's to say; attacks in which it names nothing are kept as faint."""

from dataclasses import replace

import numpy as np
import pytest

from pulsefind.listen.audio import from_samples
from pulsefind.take import kit
from pulsefind.take.ear import Peaks
from pulsefind.take.records import TakeHits

AUDIO = from_samples(np.zeros(100), 44100)
KINDS = ("kick", "snare", "cymbal")


def _heard(monkeypatch, rows):
    """rows: time, index of KINDS, log odds, level in dB."""
    peaks = {
        kind: Peaks(*(np.array([row[column] for row in rows if row[1] == k], float) for column in (0, 2, 3)))
        for k, kind in enumerate(KINDS)
    }
    monkeypatch.setattr(kit, "hear", lambda _: peaks)


def _attacks(*rows):
    return TakeHits(
        np.array([row[0] for row in rows]), tuple(row[1] for row in rows), np.zeros(len(rows)), "dB", 4.0, "audio"
    )


def test_strokes_take_kind_and_time_from_the_network(monkeypatch):
    _heard(monkeypatch, [(0.99, 0, 3.0, -6.0), (1.508, 1, 3.0, -6.0), (2.2, 1, 3.0, -26.0)])
    # The rises took a snare for a kick as well, and a room's ringing at 3 s for a snare.
    found = kit.with_kit(_attacks((1.0, "kick"), (1.5, "kick"), (1.5, "snare"), (3.0, "snare")), AUDIO)
    assert found.kind == ("kick", "snare", "snare")
    # A kick is moved to the attack nearby.
    assert found.time_s == pytest.approx([1.0, 1.508, 2.2])
    # Beside the attack at 3 s nothing was named: a stroke only if the player's pattern says so.
    assert found.faint is not None and found.faint.time_s.tolist() == [3.0]
    # Levels stand against the loud strokes of their kind.
    assert found.level[2] == pytest.approx(found.level[1] - 20.0)


def test_two_strokes_of_a_kind_on_one_attack_are_the_louder_and_two_drums_have_a_time_each(monkeypatch):
    _heard(monkeypatch, [(1.0, 0, 3.0, 0.0), (1.006, 1, 3.0, 0.0), (1.02, 1, 3.0, -3.0), (1.06, 1, 3.0, -9.0)])
    found = kit.with_kit(_attacks((1.0, "kick"), (1.0, "snare")), AUDIO)
    assert list(zip(found.time_s.tolist(), found.kind, strict=True)) == [
        (1.0, "kick"),
        (1.006, "snare"),
        (1.06, "snare"),
    ]


def test_what_the_network_is_unsure_of_is_kept_as_faint_with_its_log_odds(monkeypatch):
    _heard(monkeypatch, [(1.0, 1, 3.0, 0.0), (1.5, 1, -0.5, 0.0), (2.0, 1, -3.0, 0.0)])
    found = kit.with_kit(_attacks((1.0, "snare"), (1.5, "snare")), AUDIO)
    assert found.time_s.tolist() == [1.0] and found.faint is not None and found.faint.time_s.tolist() == [1.5, 2.0]
    assert found.faint.log_odds[0] > 0 > found.faint.log_odds[1]


def test_half_heard_where_something_clearly_rises_is_a_stroke_and_a_rise_alone_never_is(monkeypatch):
    _heard(monkeypatch, [(1.0, 1, 3.0, 0.0), (1.5, 1, -0.2, 0.0)])
    attacks = replace(_attacks((1.0, "snare"), (1.5, "snare"), (3.0, "snare")), log_odds=np.array([2.8, 2.8, 2.8]))
    found = kit.with_kit(attacks, AUDIO)
    assert found.time_s.tolist() == [1.0, 1.5]
    assert found.faint is not None and found.faint.time_s.tolist() == [3.0] and found.faint.log_odds[0] < 0


def test_a_kind_that_the_network_does_not_know_stays_as_the_rises_named_it(monkeypatch):
    _heard(monkeypatch, [(1.0, 0, 3.0, 0.0)])
    found = kit.with_kit(_attacks((1.0, "kick"), (1.0, "cymbal"), (1.5, "cymbal"), (2.0, "cymbal")), AUDIO)
    assert found.kind.count("cymbal") == 3 and found.kind.count("kick") == 1


def test_where_nothing_is_heard_nothing_changes(monkeypatch):
    _heard(monkeypatch, [])
    plain = _attacks((1.0, "kick"), (1.5, "snare"))
    assert kit.with_kit(plain, AUDIO).kind == plain.kind
    nothing = _attacks()
    assert len(kit.with_kit(nothing, AUDIO).time_s) == 0
