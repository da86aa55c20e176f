"""What the take review says, case by case: the numbers of a review in words, within 80 columns."""

import dataclasses

import numpy as np
import pytest

from pulsefind.take.records import (
    Advice,
    Alignment,
    Correction,
    CorrectionNote,
    Drift,
    Gains,
    Movement,
    PlaceSummary,
    Played,
    Practice,
    Review,
    Section,
    StartCandidate,
    Stray,
    Strokes,
    Subject,
    Summary,
    SwingSection,
    Timing,
)
from pulsefind.take.report import lean
from pulsefind.take.verdict import verdict

ALIGNED = Alignment("given", 1.5, 0.0, True, True, (), None, "as given")


def played(n=40, ghosts=0):
    time_s = np.arange(n) * 0.5
    ghost = np.arange(n) < ghosts
    return Played(
        time_s,
        time_s,
        np.zeros(n),
        np.arange(n) // 8,
        np.arange(n) % 8 / 2,
        ("1",) * n,
        ("hat",) * n,
        np.ones(n),
        ghost,
    )


REVIEW = Review(
    subject=Subject("song.wav", "0" * 64, "take.wav", "audio", "dB"),
    verdict="reviewed",
    alignment=ALIGNED,
    latency_given_ms=None,
    strokes=Strokes(played()),
    timing=Timing(Summary(-9.0, 12.0, 40), {}, (), (), (-10.0, 10.0), 6.0),
    movement=Movement(),
    advice=Advice(),
)
GROUPS = ("subject", "strokes", "timing", "movement", "advice")


def changed_review(**changed):
    """REVIEW with some fields changed, whichever record holds them."""
    review = REVIEW
    for name, value in changed.items():
        group = next((g for g in GROUPS if hasattr(getattr(REVIEW, g), name)), None)
        new = {name: value} if group is None else {group: dataclasses.replace(getattr(review, group), **{name: value})}
        review = dataclasses.replace(review, **new)
    return review


def told(**changed):
    """The report of a review, its lines joined and spaces counted once."""
    text = verdict(changed_review(**changed), details=True)
    assert text.endswith("\n") and max(map(len, text.splitlines())) <= 80
    return " ".join(text.split())


def alignment(**changed):
    return dataclasses.replace(ALIGNED, **changed)


@pytest.mark.parametrize(
    ("offset_ms", "known", "words"),
    [
        (-9.0, True, "on top, 9 ms early"),
        (9.0, True, "behind, 9 ms late"),
        (5.9, True, "on the beat (+6 ms)"),
        (-5.9, True, "on the beat (-6 ms)"),
        (6.1, True, "behind, 6 ms late"),
        (-0.4, True, "on the beat (0 ms)"),
        (-9.0, False, "9 ms earlier than usual"),
        (9.0, False, "9 ms later than usual"),
        (-0.4, False, "as usual"),
    ],
)
def test_a_lean_is_told_from_what_is_noticed_on(offset_ms, known, words):
    assert lean(offset_ms, 6.0, known) == words


@pytest.mark.parametrize(
    ("starts_at_s", "words"),
    [
        (61.239, "at 1:01.24 of the track"),
        (-0.5, "0.50 s before the track"),
        (-61.5, "61.50 s before the track"),
        (-0.001, "at 0:00.00 of the track"),
    ],
)
def test_a_start_is_told_in_minutes_and_hundredths(starts_at_s, words):
    assert f"starts {words} (as given)" in told(alignment=alignment(starts_at_s=starts_at_s))


def test_clock_and_latency_are_told_where_they_are_known():
    plain = told()
    assert "clock" not in plain and "latency" not in plain
    assert "its clock runs 20 millionths fast, corrected" in told(alignment=alignment(clock_ppm=20.0))
    assert "its clock runs 45 millionths slow, corrected" in told(alignment=alignment(clock_ppm=-45.0))
    assert "clock" not in told(alignment=alignment(clock_ppm=-19.0))
    assert "latency of the recording chain 12 ms" in told(alignment=alignment(method="leak", latency_ms=12.0))
    assert "latency of 8 ms taken off, as given" in told(latency_given_ms=8.0)


def test_a_start_that_can_not_be_told_lists_eight_and_counts_the_rest():
    candidates = tuple(StartCandidate(float(k), 0.0, k, p) for k, p in enumerate([0.999, 0.001, *[0.0] * 8]))
    unclear = alignment(method="none", chosen=False, reason="too even", candidates=candidates)
    text = told(verdict="unplaced", alignment=unclear, notes=("a note",))
    assert "can't tell: too even. Choose one" in text
    assert "--starts-at=0.000 first hit in the pickup, 99 % likely" in text
    assert "--starts-at=1.000 first hit in bar 1, 1 % likely" in text
    assert "--starts-at=7.000" in text and "--starts-at=8.000" not in text
    assert "and 2 more: --json lists them" in text and "Note a note" in text
    eight = told(verdict="unplaced", alignment=dataclasses.replace(unclear, candidates=candidates[:8]))
    assert "more: --json" not in eight
    none = told(verdict="unplaced", alignment=dataclasses.replace(unclear, candidates=()))
    assert "can't tell: too even. If you know it: --starts-at SECONDS" in none


def test_strays_ghosts_and_grace_notes_are_counted():
    strays = (Stray(1.0, "tom", "extra"), Stray(2.0, "snare", "flam"), Stray(3.0, "tom", "outside"))
    text = told(strays=strays, played=played(ghosts=3))
    assert "40 on places, 0 of your own pattern missed, 1 on no place, grace notes: 1, ghost notes: 3" in text
    assert "grace" not in told() and "ghost" not in told()


def test_drums_apart_are_noticed_from_19_ms_on():
    def apart(ms, n=8):
        return told(kinds={"kick": Summary(-ms, 5.0, n), "hat": Summary(0.0, 5.0, 8)})

    assert "kick and hat lie 19 ms apart, which drummers may notice" in apart(19.0)
    assert "kick and hat lie 18 ms apart, less than drummers notice" in apart(18.0)
    # Seven hits are too few to compare.
    assert "apart" not in apart(19.0, n=7)
    assert "professionals with a click" in apart(19.0)
    unknown = alignment(offset_known=False)
    assert "early or late overall can't be told" in told(alignment=unknown)


def test_sections_are_listed_up_to_ten_and_one_is_none():
    def section(k, n=9):
        return Section(f"part {k}", k, k + (k % 2), 0.0, 1.0, Summary(9.0, 3.0, n))

    assert "Sections" not in told(sections=(section(1),))
    text = told(sections=tuple(section(k) for k in range(1, 13)))
    assert "bars 1-2 part 1 behind, 9 ms late, spread 3 ms" in text
    assert "bar 2 part 2 behind" in text
    assert "part 10" in text and "part 11" not in text and "and 2 more: --json" in text
    assert "nothing played" in told(sections=(section(1), section(2, n=0)))
    # Bar 0 is what stands before the first full bar.
    assert "the pickup part 0 behind" in told(sections=(section(0), section(2)))
    long = dataclasses.replace(section(0), last_bar=12)
    assert "pickup to bar 12 part 0 behind" in told(sections=(long, section(13)))


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, "bars 5-8: 101.0 bpm on the track's 100.0, 12 ms a bar faster (give or take 2); at its end 48 ms ahead"),
        ({"ms_per_bar": 12.0, "end_offset_ms": 48.0}, "12 ms a bar slower (give or take 2); at its end 48 ms behind"),
        ({"ms_per_bar": -3.9}, "held within what can be measured"),
        ({"ms_per_bar": -4.0}, "4 ms a bar faster"),
        ({"back_after_bars": None}, "and not back by the end of the take"),
        ({"back_after_bars": 1}, "back after 1 bar"),
        ({"back_after_bars": 2}, "back after 2 bars"),
    ],
)
def test_a_drift_is_told_with_its_error_and_the_way_back(changed, words):
    drift = Drift(5, 8, -12.0, 2.0, 101.0, 100.0, -48.0, 3)
    assert words in told(drifts=(dataclasses.replace(drift, **changed),))


@pytest.mark.parametrize(
    ("share", "how"), [(0.75, "evenly"), (0.74, "over part of the notes"), (0.25, "over part"), (0.24, "in one jump")]
)
def test_a_correction_is_even_from_three_quarters_on_and_a_jump_below_one(share, how):
    notes = tuple(CorrectionNote(f"{k}", 300.0, 330.0, 330.4) for k in range(1, 10))
    correction = Correction("alone", 9, 9, 0.0, 1.0, -240.0, 1, share, 1.1, notes)
    text = told(corrections=(correction,))
    assert f"bar 9, after the stretch alone: 240 ms taken back in 1 bar, {how}" in text
    assert "there the spaces were played 10 % wider than written" in text
    narrower = dataclasses.replace(correction, stretch=0.9)
    assert "there the spaces were played 10 % narrower than written" in told(corrections=(narrower,))
    assert "place 1 2 3 4 5 6 7 8 written" in text and "played 330 330" in text
    slip = dataclasses.replace(correction, cause="slip", bars=2, notes=notes[:1])
    text = told(corrections=(slip,) * 5)
    assert "after a slip: 240 ms taken back in 2 bars" in text and "and 1 more: --json" in text
    assert "place  " not in text and "played 330" not in text


def test_steering_is_told_with_its_errors():
    gains = Gains("hat", 0.5, 200, 2, 0.3, 0.05, -0.02, None, None, None, 9.0, 6.0)
    text = told(gains=gains)
    assert "30 % of an error is gone at the next half beat (give or take 5; the estimate leans by -2" in text
    assert "From 200 notes of the hat: inner clock 9 ms, hands and feet 6 ms" in text and "tempo" not in text
    text = told(gains=dataclasses.replace(gains, interval_beats=1.0, voice="all", period_gain=0.1, period_error=0.04))
    assert "at the next beat" in text and "10 % (give or take 4) goes into the tempo" in text
    assert "of the whole kit" in text


def test_swing_is_told_where_either_swings():
    text = told(swing=(SwingSection(1, 8, 1.5, 0.1, 1.0, 40), SwingSection(9, 16, 1.05, 0.1, 1.09, 40)))
    assert "bars 1-8: you 1.50 : 1 (give or take 0.10), the track straight" in text and "bars 9-16" not in text
    assert "the track 1.10 : 1" in told(swing=(SwingSection(1, 8, 1.0, 0.1, 1.1, 40),))


def test_places_are_listed_in_the_order_of_the_bar_the_rarer_ones_left_out():
    def place(k, n):
        return PlaceSummary(f"p{k}", float(k), "hat", Summary(-3.25, 4.0, n), 8, -6.4, (n,))

    assert "Places" not in told(places=(place(0, 3),))
    text = told(places=tuple(place(k, 21 - k if k else 4) for k in range(18)))
    # The two that are struck least are the last and the first.
    assert "p0" not in text and "p17" not in text and "and 2 rarer: --json lists them" in text
    assert text.index("p1 ") < text.index("p2 ") < text.index("p16 ")
    assert "level dB" in text and "p1 hat -3.2 4.0 20 -6" in text
    assert "velocity" in told(places=(place(0, 4),), level_unit="velocity")
    assert "level -" not in text


def test_a_level_that_is_not_its_own_and_an_offset_of_nothing_are_told_without_a_number_and_without_a_sign():
    hidden = PlaceSummary("2", 1.0, "cymbal", Summary(-0.04, 4.0, 7), 8, None, (7,))
    text = told(places=(hidden,))
    assert "2 cymbal 0.0 4.0 7 - level -: only heard under the snare" in text


def test_what_comes_next_is_the_last_thing_said():
    practice = Practice("bars 5 to 8 alone", "you gain there", "pulsefind click song.wav")
    assert told(practice=practice).endswith("Next bars 5 to 8 alone; you gain there pulsefind click song.wav")


def test_a_name_that_is_long_or_no_text_stays_one_line():
    first = verdict(changed_review(recording="a\n\x1b[2J" + "b" * 100), details=True).splitlines()[0]
    assert len(first) == 80 and first.startswith("a??[2Jbbb") and first.endswith("...")
