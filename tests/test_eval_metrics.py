"""Scores against values worked out by hand from the papers' definitions, and against mir_eval on random beats.

Sources: Dixon 2007, "Evaluation of the audio beat tracking system BeatRoot" (F); Davies, Degara and Plumbley 2009,
"Evaluation methods for musical audio beat tracking algorithms" (all measures, cited as DDP); Cemgil et al. 2000; Goto
and Muraoka 1997; McKinney et al. 2007; Hainsworth 2004 and Klapuri et al. 2006 (continuity); Gouyon et al. 2006
(tempo). The defining equation stands written out beside each example; the papers' numbering isn't quoted, for the
papers weren't at hand.
"""

import math
import warnings

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eval.records import Answer, Reference
from eval.scoring.metrics import (
    beat_errors,
    beat_kind,
    beat_scores,
    downbeat_scores,
    matched_pairs,
    meter,
    meter_score,
    one_kind,
    start_f,
    tempo_scores,
    track_scores,
    trimmed,
)

SECONDS = np.arange(10.0)


def counts(n, beats=4, first=1):
    return (np.arange(n) + first - 1) % beats + 1


def reference(beat_s, beats=4):
    return Reference(beat_s, counts(len(beat_s), beats))


def test_f_counts_hits_misses_and_extra_beats_within_70_ms():
    # Dixon 2007, DDP (F-measure): P = c / (c + f+), R = c / (c + f-), F = 2 PR / (P + R). Of 10 annotated beats 8 are
    # hit; two of 11 stated beats miss by 80 ms and one more is extra: P = 8/11, R = 8/10, F = 16/21.
    estimated = np.sort(np.r_[SECONDS[:8] + 0.069, 8.08, 9.08, 20.0])
    assert beat_scores(SECONDS, estimated)["beat_f_70"] == pytest.approx(16 / 21)


@pytest.mark.parametrize(
    ("off_ms", "f_70", "f_40", "f_20"), [(19, 1, 1, 1), (21, 1, 1, 0), (41, 1, 0, 0), (71, 0, 0, 0)]
)
def test_f_windows_reach_as_far_as_their_names_say(off_ms, f_70, f_40, f_20):
    scores = beat_scores(SECONDS, SECONDS + off_ms / 1000)
    assert (scores["beat_f_70"], scores["beat_f_40"], scores["beat_f_20"]) == (f_70, f_40, f_20)


def test_a_stated_beat_is_matched_once():
    # Dixon 2007, DDP (F-measure): a second beat inside the same window is a false positive. 10 hits, 10 extra: F =
    # 20/30.
    estimated = np.sort(np.r_[SECONDS - 0.01, SECONDS + 0.01])
    assert beat_scores(SECONDS, estimated)["beat_f_70"] == pytest.approx(2 / 3)


def test_cemgil_is_the_mean_of_a_gaussian_of_the_error():
    # Cemgil et al. 2000, DDP (Cemgil): sum of W(error) over annotated beats, divided by half the sum of both numbers of
    # beats, with W(e) = exp(-e^2 / (2 sigma^2)) and sigma 40 ms: exactly 40 ms off gives exp(-1/2) for every beat.
    assert beat_scores(SECONDS, SECONDS + 0.04)["cemgil"] == pytest.approx(math.exp(-0.5))


def test_cemgil_divides_by_the_mean_number_of_beats():
    # DDP (Cemgil): the sum runs over annotations, the divisor is (10 + 5) / 2. Five annotations are met exactly; the
    # other five are a second away, exp(-312.5) = 0.
    assert beat_scores(SECONDS, SECONDS[::2])["cemgil"] == pytest.approx(5 / 7.5)


def test_p_score_counts_beats_within_a_fifth_of_the_median_interval():
    # McKinney et al. 2007, DDP (P-score): P = sum over lags |m| <= w of sum_n y(n) a(n - m), divided by the larger
    # number of beats; impulse trains of 10 ms, w = 0.2 of the median interval, here 0.2 x 1 s. Beats 190 ms late all
    # count; 10 of 10 annotated and 10 stated beats.
    assert beat_scores(SECONDS, SECONDS + 0.19)["p_score"] == pytest.approx(1.0)
    # Half of the beats given: 5 pairs over max(10, 5).
    assert beat_scores(SECONDS, SECONDS[::2])["p_score"] == pytest.approx(0.5)
    # Half of the beats 300 ms late, outside the window: 5 pairs over 10.
    late = np.sort(np.r_[SECONDS[::2], SECONDS[1::2] + 0.3])
    assert beat_scores(SECONDS, late)["p_score"] == pytest.approx(0.5)


def test_p_score_needs_two_annotated_beats():
    assert beat_scores(np.array([1.0]), SECONDS)["p_score"] is None


def test_goto_asks_for_a_long_run_of_small_and_even_errors():
    # Goto and Muraoka 1997, DDP (Goto): errors are taken relative to half the interval. 0.08 s of half a second is
    # 0.16, below the mean of 0.2 that is allowed; the deviation is 0.
    assert beat_scores(SECONDS, SECONDS + 0.08)["goto"] == 1.0
    # 0.12 s is 0.24: each beat is correct (below 0.35) but their mean isn't below 0.2.
    assert beat_scores(SECONDS, SECONDS + 0.12)["goto"] == 0.0


def test_goto_asks_for_a_quarter_of_the_piece():
    # 40 beats of which the middle 38 have intervals on both sides. The run must exceed 0.25 x 38 = 9.5 beats: right
    # in beats 10 to 24 it does (15), right in beats 10 to 15 it doesn't (6). The others are 0.18 s late, 0.36 of half
    # an interval and so just wrong; mir_eval counts the wrong beat on either side of the run into its mean and
    # deviation, and with 0.36 these stay below 0.2 as they do without.
    annotated = np.arange(40.0)
    index = np.arange(40)
    for last, expected in ((24, 1.0), (15, 0.0)):
        wrong = (index < 10) | (index > last)
        estimated = annotated + np.where(wrong, 0.18, 0.0)
        assert beat_scores(annotated, estimated)["goto"] == expected


def test_continuity_breaks_at_one_wrong_beat():
    # Hainsworth 2004, Klapuri et al. 2006, DDP (continuity): a beat is correct when its distance to the annotated beat
    # is below 17.5 % of the annotated interval and its own interval is within 17.5 % of it. Ten beats, the sixth 0.3 s
    # late: it is wrong, and so is the seventh, whose interval is 0.7 s. Correct are 0-4 and 7-9: 8 of 10 in all, 5 of
    # 10 in the longest run.
    estimated = SECONDS.copy()
    estimated[5] += 0.3
    scores = beat_scores(SECONDS, estimated)
    assert scores["cmlt"] == pytest.approx(0.8)
    assert scores["cmlc"] == pytest.approx(0.5)


def test_other_metrical_levels_count_for_amlt_alone():
    # DDP (continuity, allowed metrical levels): double, half and off-beat tapping score nothing at the correct level.
    half = beat_scores(SECONDS, SECONDS[::2])
    assert half["amlt"] == 1.0
    double = beat_scores(SECONDS, np.arange(0, 9.01, 0.5))
    assert double["amlt"] == 1.0 and double["cmlt"] == 0.0
    off = beat_scores(SECONDS, SECONDS[:-1] + 0.5)
    assert off["amlt"] == 1.0 and off["cmlt"] == 0.0


def test_information_gain_is_full_for_one_error_and_none_for_even_errors():
    # DDP (information gain): D = log2(K) - H, H the entropy of the histogram of relative errors over 41 bins. No error
    # on any beat has entropy 0, so the gain is log2(41), which is 1 after normalising.
    assert beat_scores(SECONDS, SECONDS)["information_gain"] == pytest.approx(1.0)
    # Errors that fall evenly into all 41 bins have entropy log2(41): nothing is gained.
    annotated = np.arange(0, 82, 2.0)
    estimated = annotated + np.linspace(-0.5, 0.5, 42)[:-1] * 2 * 0.999 + 1 / 41
    assert beat_scores(annotated, estimated)["information_gain"] < 0.1


def test_no_answer_scores_nothing_and_no_annotation_means_nothing():
    assert set(beat_scores(SECONDS, np.zeros(0)).values()) == {0.0}
    assert set(beat_scores(np.zeros(0), SECONDS).values()) == {None}
    assert set(downbeat_scores(SECONDS, None).values()) == {None}


def test_downbeats_are_scored_like_beats():
    ones = SECONDS[::4]
    scores = downbeat_scores(ones, ones + 0.03)
    assert (scores["downbeat_f_70"], scores["downbeat_f_40"], scores["downbeat_f_20"]) == (1.0, 1.0, 0.0)
    assert scores["downbeat_cmlt"] == 1.0


def test_trimming_leaves_out_the_first_five_seconds():
    # MIREX convention: beats before 5 s aren't scored.
    assert trimmed(SECONDS).tolist() == [5, 6, 7, 8, 9]
    wrong_start = np.r_[0.5, 1.5, 2.5, SECONDS[5:]]
    scores = track_scores(reference(SECONDS), Answer(wrong_start, counts(len(wrong_start))))
    assert scores["trimmed_beat_f_70"] == 1.0
    assert scores["beat_f_70"] == pytest.approx(2 * 5 / (10 + 8))


def test_start_f_looks_at_the_first_five_seconds():
    # 5 annotated beats before 5 s; 3 stated there, 2 of them right: P = 2/3, R = 2/5, F = 1/2.
    assert start_f(SECONDS, np.r_[0.0, 1.0, 2.5, SECONDS[5:]]) == pytest.approx(0.5)
    assert start_f(SECONDS + 6, SECONDS) is None
    assert start_f(SECONDS, SECONDS + 6) == 0.0


def test_a_pair_across_the_five_second_line_is_a_pair():
    assert start_f(np.array([1.0, 4.99]), np.array([1.0, 5.02])) == pytest.approx(1.0)


def test_beat_errors_are_late_positive_medians():
    errors = beat_errors(SECONDS, SECONDS + np.r_[np.full(6, 0.012), np.full(4, -0.02)])
    assert errors["signed_error_ms"] == pytest.approx(12.0)
    assert errors["absolute_error_ms"] == pytest.approx(12.0)
    assert beat_errors(SECONDS, np.zeros(0)) == {"signed_error_ms": None, "absolute_error_ms": None}


LONG = np.arange(40) * 0.5


@pytest.mark.parametrize(
    ("estimated", "kind"),
    [
        (LONG + 0.02, "right"),
        (np.arange(79) * 0.25, "double"),
        (LONG[::2], "half"),
        (LONG[1::2], "half, on the even beats"),
        (LONG + 0.25, "off-beat"),
        (np.arange(118) * 0.5 / 3, "triple"),
        (LONG[::3], "third"),
        (np.zeros(0), "none"),
        (np.cumsum(np.random.default_rng(0).uniform(0.1, 1.5, 25)), "unclear"),
    ],
)
def test_the_beat_error_is_named(estimated, kind):
    assert beat_kind(LONG, estimated) == kind


@pytest.mark.parametrize(
    ("first", "beats", "kind"),
    [(1, 4, "right"), (3, 4, "shifted by 2"), (4, 4, "shifted by 1"), (2, 4, "shifted by 3"), (1, 3, "wrong meter")],
)
def test_the_error_of_the_one_is_named(first, beats, kind):
    # The answer starts on count `first` at the annotated 1. With first = 3 it says 1 two beats later.
    assert one_kind(reference(LONG), Answer(LONG, counts(40, beats, first))) == kind


def test_the_one_of_a_system_without_bars_is_unknown():
    assert one_kind(reference(LONG), Answer(LONG, None)) == "unknown"
    assert one_kind(Reference(LONG, None), Answer(LONG, counts(40))) == "unknown"


def test_meter_is_the_usual_distance_of_the_ones():
    assert meter(np.array([3, 1, 2, 3, 1, 2, 3, 1, 2, 1, 2, 3])) == 3
    assert meter(np.array([1, 2, 3, 4])) is None
    assert meter_score(reference(LONG, 3), Answer(LONG, counts(40, 3, 2))) == 1.0
    assert meter_score(reference(LONG, 3), Answer(LONG, counts(40, 4))) == 0.0


@pytest.mark.parametrize(
    ("factor", "one", "two"),
    [(1.0, 1, 1), (1.039, 1, 1), (1.05, 0, 0), (2.0, 0, 1), (0.5, 0, 1), (3.0, 0, 1), (1 / 3, 0, 1), (1.5, 0, 0)],
)
def test_tempo_accuracies(factor, one, two):
    # Gouyon et al. 2006, accuracy 1: within 4 %; accuracy 2 also for 1/3, 1/2, 2 and 3 times the tempo.
    scores = tempo_scores(LONG, LONG / factor)
    assert (scores["tempo_1"], scores["tempo_2"]) == (one, two)


beats = st.lists(st.floats(0.15, 1.5), min_size=2, max_size=60).map(np.cumsum)


@given(annotated=beats, estimated=beats)
@settings(max_examples=60, deadline=None)
def test_wrappers_agree_with_mir_eval(annotated, estimated):
    # evaluate() trims what lies before 5 s, so both start later.
    later = 5 - min(annotated[0], estimated[0])
    annotated, estimated = annotated + later, estimated + later
    scores = beat_scores(annotated, estimated)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        whole = mir_eval.beat.evaluate(annotated, estimated)
    names = {
        "F-measure": "beat_f_70",
        "Cemgil": "cemgil",
        "Cemgil Best Metric Level": "cemgil_best",
        "P-score": "p_score",
        "Correct Metric Level Continuous": "cmlc",
        "Correct Metric Level Total": "cmlt",
        "Any Metric Level Continuous": "amlc",
        "Any Metric Level Total": "amlt",
        "Information gain": "information_gain",
        "Goto": "goto",
    }
    for theirs, ours in names.items():
        assert scores[ours] == pytest.approx(whole[theirs], abs=1e-6), theirs


@given(annotated=beats, estimated=beats)
@settings(max_examples=60, deadline=None)
def test_matching_is_one_to_one_within_the_window(annotated, estimated):
    pairs = matched_pairs(annotated, estimated, 0.07)
    assert len({r for r, _ in pairs}) == len(pairs) == len({e for _, e in pairs})
    assert all(abs(annotated[r] - estimated[e]) <= 0.07 + 1e-12 for r, e in pairs)
    f = 2 * len(pairs) / (len(annotated) + len(estimated))
    assert f == pytest.approx(beat_scores(annotated, estimated)["beat_f_70"])


steady = st.lists(st.floats(0.4, 0.8), min_size=2, max_size=60).map(np.cumsum)


@given(annotated=steady)
@settings(max_examples=40, deadline=None)
def test_every_score_lies_between_nothing_and_all(annotated):
    scores = beat_scores(annotated, annotated + 0.01)
    assert all(-1e-9 <= value <= 1 + 1e-9 for value in scores.values())
    assert scores["beat_f_20"] == 1.0
