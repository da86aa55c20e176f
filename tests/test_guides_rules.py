"""The rules by which something counts as a guide: bounds stated in words, and slow versions of the sums."""

import dataclasses
from itertools import pairwise, product
from math import exp, log

import numpy as np
import pytest
from making import at_places, bars_of, beats_of, hits_at, pulse

from pulsefind.core.records import Grid, GridSection, Sound
from pulsefind.guides import patterns, scoring
from pulsefind.guides.finding import alone_stretches, find_guides

EIGHTHS = 2
DRUM = Sound(8000.0, 50.0, 0.3, "hi-hat")


def guides_on(a_pulse, hits, slots=EIGHTHS, ratio=1.0):
    """Guides on a grid that is known."""
    bars = bars_of(a_pulse)
    return find_guides(hits, beats_of(a_pulse), bars, Grid((GridSection(0, len(bars.beats) - 1, slots, ratio),)))


def labels(guide):
    return [(place.bar, place.label) for place in guide.places]


def in_bars(a_pulse, *parts):
    """Times of (positions, bars) pairs, in order."""
    return np.sort(np.concatenate([at_places(a_pulse, positions, bars) for positions, bars in parts]))


def every(n, of=40):
    """n of so many bars, as evenly spread as can be."""
    return sorted({int(k * of / n) for k in range(n)})


@pytest.mark.parametrize(("n_bars", "part_of_it"), [(28, True), (27, False)])
def test_a_place_belongs_to_the_pattern_from_70_percent_of_the_bars_on(n_bars, part_of_it):
    a_pulse = pulse(160, bpm=100)
    hits = hits_at(in_bars(a_pulse, ([1], range(40)), ([3], every(n_bars))))
    (guide, *_) = guides_on(a_pulse, hits)
    assert labels(guide) == [(1, "2"), (1, "4")] if part_of_it else [(1, "2")]
    if part_of_it:
        assert guide.places[1].hit_rate == pytest.approx(0.7)


@pytest.mark.parametrize(("repeats", "length"), [(6, 2), (5, 1)])
def test_a_figure_of_two_bars_must_come_round_six_times(repeats, length):
    a_pulse = pulse(8 * repeats + 1, bpm=100)
    one, two = range(0, 2 * repeats, 2), range(1, 2 * repeats, 2)
    # Two places in every bar, so that one bar explains much of it too.
    hits = hits_at(in_bars(a_pulse, ([0, 2], range(2 * repeats)), ([1.5, 3.5], one), ([1, 3], two)))
    first = guides_on(a_pulse, hits)[0]
    assert first.pattern_bars == length


def saved_by_two_bars(repeats):
    """Nats by which the figure below is better explained by two bars than by one, by the slow version."""
    table = [[1, 0, 1, 0, 1, 0, 1, bar % 2] for bar in range(2 * repeats)]
    covered = [True] * len(table)
    one, two = ([k % length for k in range(len(table))] for length in (1, 2))
    return slow_score(table, [[1]] * 2, covered, two) - slow_score(table, [[1]], covered, one)


def test_a_figure_is_two_bars_long_only_where_it_saves_ten_nats():
    # The four beats in every bar, and the last half in every second bar.
    saved = {repeats: saved_by_two_bars(repeats) for repeats in range(6, 40)}
    just = min(repeats for repeats, nats in saved.items() if nats > 10)
    assert 0 < saved[just - 1] < 10 < saved[just]
    for repeats in (just - 1, just):
        a_pulse = pulse(8 * repeats + 1, bpm=100)
        hits = hits_at(in_bars(a_pulse, ([0, 1, 2, 3], range(2 * repeats)), ([3.5], range(1, 2 * repeats, 2))))
        assert guides_on(a_pulse, hits)[0].pattern_bars == (2 if saved[repeats] > 10 else 1)


def test_a_figure_of_four_bars_is_found_as_one():
    a_pulse = pulse(4 * 32 + 1, bpm=100)
    parts = [([0.0, 2.0], range(0, 32, 4)), ([1.0, 3.0], range(1, 32, 4)), ([0.5, 1.5], range(2, 32, 4))]
    guide = guides_on(a_pulse, hits_at(in_bars(a_pulse, *parts, ([2.5], range(3, 32, 4)))))[0]
    assert guide.pattern_bars == 4
    assert labels(guide) == [(1, "1"), (1, "3"), (2, "2"), (2, "4"), (3, "1&"), (3, "2&"), (4, "3&")]


def slow_played(evidence):
    """The likelier of played and not, bar by bar: every course is tried, each change costs 2.5."""
    courses = product((False, True), repeat=len(evidence))
    return max(courses, key=lambda c: sum(e for e, on in zip(evidence, c, strict=True) if on) - 2.5 * changes(c))


def changes(course):
    return sum(a != b for a, b in pairwise(course))


def slow_evidence(row, wanted):
    """A place is struck in 9 of 10 bars in which the pattern is played, in 15 of 100 others; one bar proves 3 nats."""
    log_odds = sum(log(0.9 / 0.15) if struck else log(0.1 / 0.85) for struck, w in zip(row, wanted, strict=True) if w)
    return min(3.0, max(-3.0, log_odds))


def test_where_a_pattern_is_played_is_the_likeliest_of_all_courses():
    rng = np.random.default_rng(3)
    for _ in range(30):
        table = rng.random((9, 4)) < 0.6
        struck = rng.random((2, 4)) < 0.6
        phase = np.arange(9) % 2
        evidence = [slow_evidence(table[k], struck[phase[k]]) for k in range(9)]
        np.testing.assert_allclose(patterns._evidence(table, struck, phase), evidence)
        assert patterns._followed(table, struck, phase).tolist() == list(slow_played(evidence))


def test_one_bar_without_its_pattern_does_not_end_it_and_two_do():
    a_pulse = pulse(160, bpm=100)

    def covered(silent):
        hits = hits_at(in_bars(a_pulse, ([0, 1, 2, 3], [b for b in range(40) if b not in silent])))
        return [(s.first_bar, s.last_bar) for s in guides_on(a_pulse, hits)[0].coverage]

    assert covered({20}) == [(0, 39)]
    assert covered({20, 21}) == [(0, 19), (22, 39)]
    # At the end there is no way back to be paid for.
    assert covered({39}) == [(0, 38)]


def slow_score(table, struck, covered, phase):
    """Nats saved by knowing how often each place is struck in each bar of the pattern, less the cost of the rates."""
    bars = [k for k in range(len(table)) if covered[k]]
    plain = sum(sum(table[k]) for k in bars) / (len(bars) * len(table[0]))
    saved = 0.0
    for slot in range(len(table[0])):
        for p in range(len(struck)):
            part = [table[k][slot] for k in bars if phase[k] == p]
            rate = (sum(part) + 0.5) / (len(part) + 1)
            saved += sum(log(rate if x else 1 - rate) - log(plain if x else 1 - plain) for x in part)
    used = sum(any(table[k][slot] for k in bars) for slot in range(len(table[0])))
    return saved - 0.5 * len(struck) * used * log(len(bars))


@pytest.mark.parametrize("length", [1, 2])
def test_what_a_pattern_saves_is_what_a_slow_version_says(length):
    rng = np.random.default_rng(8)
    table = rng.random((20, 6)) < np.array([0.9, 0.1, 0.5, 0.8, 0.3, 0.2])
    table[:, 5] = False
    covered = rng.random(20) < 0.8
    phase = np.arange(20) % length
    struck = np.ones((length, 6), bool)
    found = patterns._information_score(table, patterns.Pattern(struck, covered), phase)
    assert found == pytest.approx(slow_score(table.tolist(), struck, covered, phase.tolist()))


def test_what_is_struck_always_or_never_saves_nothing_and_costs_what_its_rates_cost():
    # A rate of 1 has no logarithm on the other side: rates are kept within a thousandth of it.
    table = np.ones((16, 4), bool)
    found = patterns._information_score(
        table, patterns.Pattern(np.ones((1, 4), bool), np.ones(16, bool)), np.zeros(16, int)
    )
    assert found == pytest.approx(64 * (log(16.5 / 17) - log(0.999)) - 0.5 * 4 * log(16))


def test_the_bars_of_a_section_are_the_likeliest_course_too():
    a_pulse = pulse(160, bpm=100)
    played = [bar for bar in range(12, 30) if bar != 20]
    (guide,) = guides_on(a_pulse, hits_at(at_places(a_pulse, [0, 1, 2, 3], played)))
    assert [(s.first_bar, s.last_bar) for s in guide.coverage] == [(12, 29)]


def test_a_hit_is_on_a_place_within_60_ms_and_half_a_space():
    # Eighths at 60 bpm lie 500 ms apart; at 300 bpm 100 ms, of which half is less than 60 ms.
    for bpm, near_s, far_s in ((60, 0.058, 0.062), (300, 0.048, 0.052)):
        a_pulse = pulse(160, bpm=bpm)
        on = at_places(a_pulse, [1])
        rest = at_places(a_pulse, [0])
        late = np.isin(np.arange(40), [2, 3, 9, 14, 16, 21, 25, 30, 31, 38])
        for late_s, struck in ((near_s, 1.0), (far_s, 0.75)):
            times = np.sort(np.r_[rest, on + np.where(late, late_s, 0.0)])
            guide = next(g for g in guides_on(a_pulse, hits_at(times)) if (1, "2") in labels(g))
            assert guide.places[labels(guide).index((1, "2"))].hit_rate == pytest.approx(struck, abs=0.02)


def test_of_two_hits_within_30_ms_the_stronger_is_the_hit():
    a_pulse = pulse(160, bpm=60)
    on = at_places(a_pulse, [1])
    both = np.sort(np.r_[on, on + 0.025])
    hits = hits_at(both)
    for stronger, offset_ms in ((0, 0.0), (1, 25.0)):
        strength = np.where(np.arange(len(both)) % 2 == stronger, 2.0, 1.0)
        guide = guides_on(a_pulse, dataclasses.replace(hits, strength=strength))[0]
        assert guide.places[0].offset_ms == pytest.approx(offset_ms, abs=1e-6)
        assert len(guide.hits.time_s) == len(on)
    apart = np.sort(np.r_[on, on + 0.035])
    assert len(guides_on(a_pulse, hits_at(apart))[0].hits.time_s) == 2 * len(on)


def test_a_player_who_leans_by_80_ms_is_on_no_place_and_one_by_50_is():
    a_pulse = pulse(160, bpm=60)
    on = at_places(a_pulse, [1, 3])
    spread = np.random.default_rng(0).normal(0, 0.015, len(on))
    late = guides_on(a_pulse, hits_at(np.sort(on + 0.05 + spread)))[0]
    assert labels(late) == [(1, "2"), (1, "4")]
    # A third of these would be beyond 60 ms if the habit were not taken off first.
    assert min(place.hit_rate for place in late.places) == 1.0
    assert late.places[0].offset_ms == pytest.approx(50, abs=5)
    assert guides_on(a_pulse, hits_at(on + 0.08)) == ()


def test_hits_just_before_the_first_beat_belong_to_it():
    a_pulse = pulse(64, bpm=60)
    on = a_pulse.time_s[a_pulse.count == 1] - 0.02
    guide = guides_on(a_pulse, hits_at(on))[0]
    assert guide.hits.bar[0] == 0 and guide.places[0].hit_rate == 1.0
    assert guide.places[0].offset_ms == pytest.approx(-20, abs=1e-6)


def test_a_pickup_and_a_last_bar_cut_short_go_with_the_bar_beside_them():
    a_pulse = pulse(42, bpm=100, first_count=4)
    bars = bars_of(a_pulse)
    assert (bars.beats[0], bars.beats[-1]) == (1, 1)
    guide = guides_on(a_pulse, hits_at(at_places(a_pulse, [1, 3], range(10))))
    assert alone_stretches(guide, bars) == ()
    late = guides_on(a_pulse, hits_at(at_places(a_pulse, [1, 3], range(5))))
    assert [(s.first_bar, s.last_bar) for s in alone_stretches(late, bars)] == [(6, len(bars.beats) - 1)]


def test_a_full_bar_that_no_guide_covers_is_alone_at_either_end():
    a_pulse = pulse(40, bpm=100)
    bars = bars_of(a_pulse)
    assert bars.number[0] == 1 and bars.beats[-1] == bars.beats_per_bar[-1]

    def alone(played):
        found = guides_on(a_pulse, hits_at(at_places(a_pulse, [0, 1, 2, 3], played)))
        return [(s.first_bar, s.last_bar) for s in alone_stretches(found, bars)]

    assert alone(range(1, 10)) == [(0, 0)]
    assert alone(range(9)) == [(9, 9)]
    assert alone(range(10)) == []


@pytest.mark.parametrize(("shared", "kept"), [(16, 2), (24, 1), (32, 1)])
def test_two_guides_are_one_when_sixty_percent_of_their_hits_coincide(shared, kept):
    # Of 40 hits 16 (40 %), 24 (60 %) or 32 lie 10 ms after those of the other sound, the rest 50 ms.
    a_pulse = pulse(160, bpm=60)
    on = at_places(a_pulse, [1])
    later = on + np.where(np.arange(40) < shared, 0.01, 0.05)
    assert len(guides_on(a_pulse, hits_at(on, later))) == kept


def test_the_score_is_the_weighted_geometric_mean_of_its_parts():
    a_pulse = pulse(160, bpm=100)
    times = in_bars(a_pulse, ([1], range(40)), ([3], every(32)))
    spread = np.random.default_rng(1).normal(0, 0.008, len(times))
    hits = hits_at(np.sort(times + spread), level_db=11.0, sounds=(DRUM,))
    guide = guides_on(a_pulse, hits)[0]
    assert guide.audibility == pytest.approx(1 / (1 + exp(-1)))
    assert guide.tightness == pytest.approx(exp(-np.mean([place.spread_ms for place in guide.places]) / 25))
    assert guide.recurrence == pytest.approx(np.mean([place.hit_rate for place in guide.places]))
    assert guide.clarity == pytest.approx(0.8)
    assert guide.coverage_share == 1.0
    weighed = 0.1 * log(guide.recurrence) + 0.15 * log(guide.audibility) + 0.05 * log(guide.tightness)
    # On 2 and 4 one of the three other beats could be the 1 as well.
    assert guide.score == pytest.approx(exp(weighed + 0.3 * log(guide.clarity)) * (1 - 0.1 / 3))
    other = guides_on(a_pulse, dataclasses.replace(hits, sounds=(dataclasses.replace(DRUM, drum=""),)))[0]
    assert other.score == pytest.approx(0.7 * guide.score)
    bass = dataclasses.replace(DRUM, drum="", instrument="bass")
    (played,) = guides_on(a_pulse, dataclasses.replace(hits, sounds=(bass,)))
    assert played.score == pytest.approx(0.75 * guide.score)


@pytest.mark.parametrize(
    ("places", "handicap"), [([1.5], 0.9), ([0, 0.5, 1, 1.5, 2, 3.5], 0.85), ([0, 1, 1.5, 2, 3], 1)]
)
def test_one_place_in_a_bar_is_long_to_wait_for_and_more_than_five_run_by(places, handicap):
    a_pulse = pulse(80, bpm=100)
    (guide, *_) = guides_on(a_pulse, hits_at(at_places(a_pulse, places), sounds=(DRUM,)))
    assert len(guide.places) == len(places) and guide.clarity == guide.coverage_share == 1.0
    audible = 0.15 * log(guide.audibility) + 0.05 * log(guide.tightness)
    assert scoring._parts_score(guide) == pytest.approx(handicap * exp(audible))


def test_clarity_is_how_far_the_least_place_stands_over_the_most_struck_other():
    a_pulse = pulse(160, bpm=100)
    guide = guides_on(a_pulse, hits_at(in_bars(a_pulse, ([0, 2], range(40)), ([3.5], every(10)))))[0]
    assert labels(guide) == [(1, "1"), (1, "3")]
    assert guide.clarity == pytest.approx(0.75)
    full = guides_on(a_pulse, hits_at(at_places(a_pulse, [k / 2 for k in range(8)])))[0]
    assert full.clarity == 1.0


def test_one_bar_is_too_few_and_two_that_are_alike_are_a_pattern():
    two, one = pulse(8, bpm=100), pulse(4, bpm=100)
    assert [labels(g) for g in guides_on(two, hits_at(at_places(two, [1, 2])))] == [[(1, "2"), (1, "3")]]
    assert guides_on(one, hits_at(one.time_s[1:3])) == ()


def test_one_sound_may_have_a_pattern_in_each_of_three_sections():
    a_pulse = pulse(160, bpm=100)
    hits = hits_at(
        in_bars(a_pulse, ([0, 1, 2, 3], range(14)), ([0.5, 2.5], range(14, 27)), ([1.5, 3.5], range(27, 40)))
    )
    found = sorted(guides_on(a_pulse, hits), key=lambda guide: guide.coverage[0].first_bar)
    assert [[label for _, label in labels(guide)] for guide in found] == [
        ["1", "2", "3", "4"],
        ["1&", "3&"],
        ["2&", "4&"],
    ]
    assert [(g.coverage[0].first_bar, g.coverage[-1].last_bar) for g in found] == [(0, 13), (14, 26), (27, 39)]


def with_odds(hits, log_odds):
    return dataclasses.replace(hits, log_odds=np.asarray(log_odds, float))


@pytest.mark.parametrize("surely", [-1.5, 1.5])
def test_doubt_begins_where_the_places_divide(surely):
    # A drum that is heard equally surely on 2 and 4, and 3 less so on the off-beats: the song says which hits count.
    a_pulse = pulse(80, bpm=100)
    struck, strays = at_places(a_pulse, [1, 3]), at_places(a_pulse, [0.5, 1.5, 2.5, 3.5])
    hits = hits_at(struck, sounds=(DRUM,))
    time_s = np.r_[struck, strays]
    order = np.argsort(time_s)
    log_odds = np.r_[np.full(len(struck), surely), np.full(len(strays), surely - 3.0)][order]
    hits = with_odds(hits_at(time_s[order], sounds=(DRUM,)), log_odds)
    (guide, *_) = guides_on(a_pulse, hits)
    assert labels(guide) == [(1, "2"), (1, "4")]
    np.testing.assert_allclose(guide.hits.time_s, struck)


def test_without_doubt_all_hits_count():
    a_pulse = pulse(80, bpm=100)
    hits = hits_at(at_places(a_pulse, [0, 1.5, 3]), sounds=(DRUM,))
    certain, sure = guides_on(a_pulse, hits), guides_on(a_pulse, with_odds(hits, np.full(len(hits.time_s), 2.0)))
    assert (
        [labels(guide) for guide in certain] == [labels(guide) for guide in sure] == [[(1, "1"), (1, "2&"), (1, "4")]]
    )


def test_ghost_notes_leave_a_snare_its_places_and_another_sound_not():
    # On 2 and 4, and once or twice in each bar anywhere else: less than 35 % of the hits are on the pattern.
    rng = np.random.default_rng(1)
    a_pulse = pulse(160, bpm=100)
    others = [p for p in np.arange(16) / 4 if p not in (1.0, 3.0)]
    ghosts = [at_places(a_pulse, sorted(rng.choice(others, 6, replace=False)), [bar]) for bar in range(40)]
    time_s = np.sort(np.concatenate([at_places(a_pulse, [1, 3]), *ghosts]))
    snare, scrape = Sound(1500.0, 100.0, 0.5, "snare"), Sound(1500.0, 100.0, 0.5)
    (guide, *_) = guides_on(a_pulse, hits_at(time_s, sounds=(snare,)), slots=4)
    assert labels(guide) == [(1, "2"), (1, "4")] and guide.coverage_share > 0.9
    assert all(other.coverage_share < 0.9 for other in guides_on(a_pulse, hits_at(time_s, sounds=(scrape,)), slots=4))


@pytest.mark.parametrize(
    ("positions", "left_open"),
    [([0, 1, 2, 3], 1.0), ([0.5, 1.5, 2.5, 3.5], 1.0), ([1, 3], 1 / 3), ([0, 1.5, 3], 0.0), ([2], 0.0)],
)
def test_a_score_falls_by_the_beats_that_could_be_the_1_as_well(positions, left_open):
    # By hand: of the three other beats, 2 and 4 leave one open; all beats leave all of them.
    a_pulse = pulse(80, bpm=100)
    (guide, *_) = guides_on(a_pulse, hits_at(at_places(a_pulse, positions), sounds=(DRUM,)))
    assert guide.score == pytest.approx(scoring._parts_score(guide) * (1 - 0.1 * left_open))


def test_less_is_asked_of_the_places_of_notes():
    # 27 of 40 bars are 67.5 %: enough for a note (65 %), not for a hit (70 %).
    a_pulse = pulse(160, bpm=100)
    bars = np.sort(np.random.default_rng(2).permutation(40)[:27])
    times = in_bars(a_pulse, ([0], range(40)), ([2], bars))
    bass = Sound(90.0, 300.0, 0.1, instrument="bass")
    (played, *_) = guides_on(a_pulse, hits_at(times, sounds=(bass,)))
    assert labels(played) == [(1, "1"), (1, "3")]
    (struck, *_) = guides_on(a_pulse, hits_at(times, sounds=(dataclasses.replace(bass, instrument=""),)))
    assert labels(struck) == [(1, "1")]


@pytest.mark.parametrize("seed", range(6))
def test_no_guide_has_a_place_struck_in_fewer_than_six_of_ten_of_its_bars(seed):
    rng = np.random.default_rng(seed)
    a_pulse = pulse(160, bpm=100)
    rates = rng.uniform(0.4, 1.0, 4)
    times = in_bars(a_pulse, *(([place], np.flatnonzero(rng.random(40) < rate)) for place, rate in enumerate(rates)))
    for sound in (DRUM, Sound(90.0, 300.0, 0.1, instrument="bass"), Sound(900.0, 60.0, 0.1)):
        for guide in guides_on(a_pulse, hits_at(times, sounds=(sound,))):
            assert min(place.hit_rate for place in guide.places) >= 0.6


def test_a_song_ahead_of_its_beats_keeps_the_places_of_a_sound_that_is_hardly_ever_on_a_beat():
    # Sixteenths of 150 bpm are 100 ms apart: 55 ms early, a hit is nearer to the sixteenth before its own.
    a_pulse = pulse(96, bpm=150)
    beats, pushed = at_places(a_pulse, [0, 1, 2, 3]), at_places(a_pulse, [0.75, 2.75])
    hits = hits_at(np.sort(np.r_[beats, at_places(a_pulse, [0.25])]), pushed)
    for early_s in (0.0, 0.055):
        moved = dataclasses.replace(hits, time_s=hits.time_s - early_s)
        found = guides_on(a_pulse, moved, slots=4)
        assert ["1a", "3a"] in [[place.label for place in guide.places] for guide in found]
