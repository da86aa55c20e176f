"""Passages, stops, tempi and later 1s that were told, on made songs of exact truth; what wasn't told is as heard."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from made_activations import NO_HARMONY, RATE_HZ, Truth, activations, heard, ones_found, song, values_of

from pulsefind.beats.aligning import align
from pulsefind.beats.decode import decode
from pulsefind.beats.passages import read, with_passages
from pulsefind.core.corrections import Corrections, One
from pulsefind.core.errors import HintError
from pulsefind.core.records import Settings
from pulsefind.song.notation import parse_passage, parse_tempo

BRIDGE = "bars 9-18: 2/4 3/8 3/8 3/8 5/8"


def written(*bars, quarter_s=0.5, start_s=1.0):
    """A song from bars as (beats, quarters a beat): times, counts and meters of its beats."""
    quarters = np.concatenate([np.full(n, q) for n, q in bars])
    step = quarters * quarter_s
    return Truth(
        start_s + np.r_[0.0, np.cumsum(step)[:-1]],
        np.concatenate([np.arange(1, n + 1) for n, _ in bars]),
        np.concatenate([np.full(n, n) for n, _ in bars]),
    )


FOUR = (4, 1.0)
ROUND = ((2, 1.0), (3, 0.5), (3, 0.5), (3, 0.5), (5, 0.5))


def told(sound, known, settings=None):
    settings = replace(settings or Settings(), corrections=known)
    pulse = decode(sound, NO_HARMONY, settings)
    return pulse, with_passages(pulse, sound, NO_HARMONY, settings)


def passages(*texts):
    return Corrections(passages=tuple(parse_passage(text) for text in texts))


def same(truth, pulse, within_s=0.021):
    assert len(pulse.time_s) == len(truth.time_s)
    assert np.abs(pulse.time_s - truth.time_s).max() <= within_s
    assert np.array_equal(pulse.count, truth.count)
    assert np.array_equal(pulse.beats_per_bar, truth.beats_per_bar)


@pytest.mark.parametrize("quarter_s", [0.4, 0.5, 0.65])
def test_a_bridge_of_mixed_meters_is_told_in_one_line(quarter_s):
    truth = written(*[FOUR] * 8, *ROUND * 2, *[FOUR] * 8, quarter_s=quarter_s)
    _, pulse = told(heard(truth), passages(BRIDGE), Settings(bpm_low=50 / quarter_s, bpm_high=70 / quarter_s))
    same(truth, pulse)


def test_what_lies_before_and_behind_the_bridge_is_as_it_was_heard():
    truth = written(*[FOUR] * 8, *ROUND * 2, *[FOUR] * 8)
    before, pulse = told(heard(truth), passages(BRIDGE))
    first, last = truth.time_s[32] - 0.1, truth.time_s[-32] + 0.1
    assert np.array_equal(pulse.time_s[pulse.time_s < first], before.time_s[before.time_s < first])
    assert np.isin(pulse.time_s[pulse.time_s > last], before.time_s).all()


def test_a_bridge_is_found_where_only_its_first_beats_are_heard_and_the_tempo_drifts():
    truth = written(*[FOUR] * 8, *ROUND * 4, *[FOUR] * 8)
    bent = replace(truth, time_s=truth.time_s + 0.25 * np.sin(truth.time_s / 6))
    strength = np.where(bent.count == 1, 0.9, 0.05)
    strength[:32] = strength[-32:] = 0.9
    sound = activations(values_of(bent.time_s, bent.count, bent.time_s[-1] + 1.0, strength=strength))
    _, pulse = told(sound, passages("bars 9-28: 2/4 3/8 3/8 3/8 5/8"))
    same(bent, pulse, within_s=0.045)


@pytest.mark.parametrize(
    ("text", "bars"),
    [
        ("bar 9: 2/4", [(2, 1.0)]),
        ("bar 9: 5/4", [(5, 1.0)]),
        ("bars 9-12: 3/4", [(3, 1.0)] * 4),
        ("bars 9-12: 7/8", [(7, 0.5)] * 4),
        ("bars 9-14: 6/8", [(6, 0.5)] * 6),
        ("bars 9-12: 3+3+2/8", [(8, 0.5)] * 4),
        ("bars 9-12: 2+2+3/8 4/4", [(7, 0.5), FOUR] * 2),
        ("bars 9-12: 12/8", [(4, 1.5)] * 4),
        ("bars 9-10: 5/16 4/4", [(5, 0.25), FOUR]),
    ],
)
def test_other_meters_for_some_bars(text, bars):
    truth = written(*[FOUR] * 8, *bars, *[FOUR] * 8)
    _, pulse = told(heard(truth), passages(text))
    same(truth, pulse)


def test_meters_to_the_end_of_the_song():
    truth = written(*[FOUR] * 4, *[(7, 0.5)] * 12)
    _, pulse = told(heard(truth), passages("bars 5-: 7/8"))
    n = len(truth.time_s)
    assert np.abs(pulse.time_s[:n] - truth.time_s).max() <= 0.021 and len(pulse.time_s) <= n + 3
    assert np.array_equal(pulse.count[:n], truth.count)


def stopped(hold_s):
    """Eight bars, the last beat of the eighth held so much longer, eight bars."""
    truth = written(*[FOUR] * 16)
    return replace(truth, time_s=truth.time_s + np.where(np.arange(64) >= 32, hold_s, 0.0))


@pytest.mark.parametrize("hold_s", [0.8, 2.3, 5.7])
@pytest.mark.parametrize("until", [True, False])
def test_a_stop_of_free_length(hold_s, until):
    truth = stopped(hold_s)
    text = "bar 8: 4/4 held on 4" + (f" until 0:{truth.time_s[32]:06.3f}" if until else "")
    _, pulse = told(heard(truth), passages(text))
    same(truth, pulse)


@pytest.mark.parametrize("bpm", [60, 84, 150, 176])
def test_a_new_tempo_at_a_bar(bpm):
    truth = song((4, 8, 120), (4, 16, bpm))
    _, pulse = told(heard(truth), Corrections(tempi=(parse_tempo(f"bar 9: {bpm}"),)))
    same(truth, pulse, within_s=0.031)


def test_a_later_1_counts_for_what_comes_after_it():
    truth = written(*[FOUR] * 8, (3, 1.0), *[FOUR] * 8)
    plain = written(*[FOUR] * 16, (3, 1.0))
    sound = activations(values_of(plain.time_s, plain.count, plain.time_s[-1] + 1.0))
    before, pulse = told(sound, Corrections(ones=(One(float(truth.time_s[35]), False),)))
    assert np.array_equal(before.count[:35], pulse.count[:35])
    assert np.array_equal(pulse.count, truth.count) and np.array_equal(pulse.beats_per_bar, truth.beats_per_bar)
    assert np.array_equal(pulse.time_s, before.time_s)


def test_a_later_1_between_the_beats_has_the_rest_read_again():
    truth = song((4, 8, 120), (4, 8, 120))
    shifted = replace(truth, time_s=truth.time_s + np.where(np.arange(64) >= 32, 0.25, 0.0))
    _, pulse = told(heard(shifted), Corrections(ones=(One(float(shifted.time_s[32]), True),)))
    assert ones_found(shifted, pulse, within_s=0.03) > 0.9


def test_a_passage_that_begins_at_a_time():
    truth = written(*[FOUR] * 8, *ROUND * 2, *[FOUR] * 8)
    _, pulse = told(heard(truth), passages(f"bars 9-18 at 0:{truth.time_s[32]:06.3f}: 2/4 3/8 3/8 3/8 5/8"))
    same(truth, pulse)


def test_a_bar_that_the_song_lacks_is_named():
    truth = song((4, 8, 120))
    with pytest.raises(HintError, match="meters: bar 40 in the song's file: the song has bars 1 to 8"):
        told(heard(truth), passages("bar 40: 3/4"))


def test_nothing_told_changes_nothing():
    before, pulse = told(heard(song((4, 8, 120))), Corrections(nudge_ms=3.0))
    assert pulse is before


def test_beats_are_laid_along_the_best_of_all_ways():
    # The oracle: every combination of quarters' lengths of a short sequence, tried one after the other.
    rng = np.random.default_rng(4)
    values = rng.uniform(0, 0.3, (400, 2))
    sound = activations(values)
    quarters, is_one = np.array([1.0, 0.5, 0.5]), np.array([1, 0, 0, 1])
    found = align(sound, 1.0, 0.5, quarters, is_one)
    assert _worth(sound, found, quarters, is_one) == pytest.approx(_best_worth(sound, quarters, is_one), abs=1e-9)


LENGTHS = 0.5 * RATE_HZ * np.exp(0.01 * np.arange(-22, 23))


def _frame_worth(sound, frame, one):
    near = sound.values[max(0, frame - 1) : frame + 2].sum(axis=1)
    log_odds = np.clip(np.log(near / (1 - near)), -3, 4).max()
    return log_odds + (0.5 * float(np.clip(sound.downbeat_log_odds[frame], -3, 4)) if one else 0.0)


def _ways(quarters):
    """Every row of lengths (indices) in which neighbours differ by up to four steps."""
    for first in range(len(LENGTHS)):
        rows = [[first]]
        for _ in quarters[1:]:
            rows = [[*row, k] for row in rows for k in range(max(0, row[-1] - 4), min(len(LENGTHS), row[-1] + 5))]
        yield from rows


def _best_worth(sound, quarters, is_one):
    best = -np.inf
    for row in _ways(quarters):
        frame, worth, before = 100, 0.0, None
        for k, index in enumerate(row):
            step = np.arange(-22, 23)
            if before is None:
                # The first quarter's length may differ from what came before it, at once or in two moves.
                worth = max(
                    -100 * abs(np.expm1(0.01 * step[start])) - 100 * abs(np.expm1(0.01 * (start - index)))
                    for start in range(max(0, index - 4), min(len(LENGTHS), index + 5))
                )
            else:
                worth -= 100 * abs(np.expm1(0.01 * (before - index)))
            frame += round(quarters[k] * LENGTHS[index])
            worth += _frame_worth(sound, frame, is_one[k + 1])
            before = index
        best = max(best, worth)
    return best


def _worth(sound, time_s, quarters, is_one):
    """The best worth of any row of lengths that leads to these times."""
    best = -np.inf
    for row in _ways(quarters):
        frames = 100 + np.cumsum([round(q * LENGTHS[k]) for q, k in zip(quarters, row, strict=True)])
        if np.array_equal(frames, np.round(time_s[1:] * RATE_HZ).astype(int)):
            best = max(best, _row_worth(sound, row, frames, is_one))
    return best


def _row_worth(sound, row, frames, is_one):
    first = row[0]
    worth = max(
        -100 * abs(np.expm1(0.01 * (start - 22))) - 100 * abs(np.expm1(0.01 * (start - first)))
        for start in range(max(0, first - 4), min(len(LENGTHS), first + 5))
    )
    worth -= sum(100 * abs(np.expm1(0.01 * (a - b))) for a, b in pairwise(row))
    return worth + sum(_frame_worth(sound, int(f), is_one[k + 1]) for k, f in enumerate(frames))


def test_a_count_that_slips_and_comes_back_is_mended_by_one_told_1():
    # Two bars of two where the truth has none: the first told 1 behind the first of them mends both.
    slipped = written(*[FOUR] * 8, (2, 1.0), *[FOUR] * 6, (2, 1.0), *[FOUR] * 8)
    truth = written(*[FOUR] * 23)
    sound = heard(slipped)
    before, pulse = told(sound, Corrections(ones=(One(float(truth.time_s[36]), False),)))
    assert np.array_equal(before.beats_per_bar, slipped.beats_per_bar)
    same(truth, pulse)


def test_a_1_told_before_the_first_beat_or_after_the_last_is_reached_by_beats():
    truth = song((4, 8, 120))
    quiet = heard(truth).values.copy()
    quiet[: round(3.4 * RATE_HZ)] = quiet[round(14.4 * RATE_HZ) :] = 0.0
    for one_s in (1.0, 15.0):
        for exact in (False, True):
            hints = Settings(one_at_s=one_s, one_exact=exact)
            pulse = decode(activations(quiet), NO_HARMONY, hints)
            pulse = with_passages(pulse, activations(quiet), NO_HARMONY, hints)
            at = int(np.argmin(np.abs(pulse.time_s - one_s)))
            assert abs(pulse.time_s[at] - one_s) < (1e-9 if exact else 0.02) and pulse.count[at] == 1
            assert np.abs(np.diff(pulse.time_s) - 0.5).max() < 0.05
            assert ((np.diff(pulse.count) == 1) | (pulse.count[1:] == 1)).all()


def test_a_later_group_of_taps_counts_from_itself_on():
    truth = song((4, 24, 120))
    shifted = replace(truth, count=np.where(np.arange(96) < 48, truth.count, (truth.count + 1) % 4 + 1))
    taps = np.r_[0:16, 48:64]
    settings = Settings(taps_s=tuple(truth.time_s[taps]), taps_count=tuple(int(c) for c in shifted.count[taps]))
    pulse = read(heard(truth), NO_HARMONY, settings)
    at = np.abs(pulse.time_s[:, None] - truth.time_s[None, :]).argmin(axis=0)
    # Between the groups the count is as before, then there is a bar of two, and from the first tapped 1 on all follows.
    assert np.array_equal(pulse.count[at][:48], shifted.count[:48])
    assert pulse.count[at][48:50].tolist() == [1, 2]
    assert np.array_equal(pulse.count[at][50:], shifted.count[50:])
