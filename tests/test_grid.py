"""The subdivision, from hits with a player's looseness."""

from dataclasses import replace
from itertools import product
from math import exp, log, pi, sqrt

import numpy as np
import pytest
from making import at_places, bars_of, beats_of, hits_at, pulse

from pulsefind.beats import grid as grids
from pulsefind.beats.grid import find_grid, swing_warnings
from pulsefind.core.lean import lean_ms, lean_of_ms
from pulsefind.core.records import Grid, GridSection, Sound


def played(a_pulse, positions, seed=0, spread_s=0.006):
    times = at_places(a_pulse, positions)
    return np.sort(times + np.random.default_rng(seed).normal(0, spread_s, len(times)))


def grid_of(a_pulse, *groups):
    return find_grid(beats_of(a_pulse), bars_of(a_pulse), hits_at(*groups))


@pytest.mark.parametrize(
    ("positions", "slots"),
    [
        ((0, 1, 2, 3), 1),
        ((0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5), 2),
        ((0, 1.5, 2, 3.5), 2),
        ((0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.75, 3, 3.25), 4),
        ((0, 1 / 3, 2 / 3, 1, 4 / 3, 5 / 3, 2, 8 / 3, 3, 10 / 3), 3),
    ],
)
@pytest.mark.parametrize("bpm", [80, 120])
def test_straight_and_triplet_grids(positions, slots, bpm):
    a_pulse = pulse(96, bpm=bpm)
    grid = grid_of(a_pulse, played(a_pulse, positions))
    assert len(grid.sections) == 1
    assert grid.sections[0].slots_per_beat == slots
    assert grid.sections[0].swing_ratio == 1.0


def test_beats_of_three_eighths_are_never_halved():
    a_pulse = pulse(96, bpm=70)
    swinging = played(a_pulse, (0, 2 / 3, 1, 5 / 3, 2, 8 / 3, 3, 11 / 3))
    hits = hits_at(swinging)
    assert find_grid(beats_of(a_pulse), bars_of(a_pulse), hits).sections[0].slots_per_beat == 2
    (section,) = find_grid(beats_of(a_pulse), bars_of(a_pulse), hits, in_threes=True).sections
    assert (section.slots_per_beat, section.swing_ratio) == (3, 1.0)


@pytest.mark.parametrize("ratio", [1.4, 1.7, 2.0, 2.5, 3.0])
def test_swing_and_its_ratio(ratio):
    a_pulse = pulse(96, bpm=120)
    late = ratio / (1 + ratio)
    positions = [k + p for k in range(4) for p in (0, late)]
    section = grid_of(a_pulse, played(a_pulse, positions)).sections[0]
    assert section.slots_per_beat == 2
    assert section.swing_ratio == pytest.approx(ratio, abs=0.15)


def test_the_grid_may_change_on_the_way():
    a_pulse = pulse(128, bpm=100)
    straight = at_places(a_pulse, [k / 2 for k in range(8)], bars=range(16))
    triplet = at_places(a_pulse, [k / 3 for k in range(12)], bars=range(16, 32))
    sections = grid_of(a_pulse, np.r_[straight, triplet]).sections
    assert [s.slots_per_beat for s in sections] == [2, 3]
    assert sections[1].first_bar == pytest.approx(16, abs=1)


def test_sections_cover_all_bars_and_no_bars_give_none():
    a_pulse = pulse(40, first_count=3)
    sections = grid_of(a_pulse, at_places(a_pulse, [0, 1.5])).sections
    assert sections[0].first_bar == 0
    assert sections[-1].last_bar == len(bars_of(a_pulse).beats) - 1
    assert grid_of(pulse(0), []).sections == ()


def test_bars_without_hits_still_get_a_grid():
    assert len(grid_of(pulse(32), []).sections) == 1


@pytest.mark.parametrize("early_s", [-0.025, 0.0, 0.025])
@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.0])
def test_players_who_are_early_or_late_throughout_do_not_swing_more(early_s, ratio):
    a_pulse = pulse(96, bpm=120)
    late = ratio / (1 + ratio)
    times = played(a_pulse, [k + p for k in range(4) for p in (0, late)]) + early_s
    section = grid_of(a_pulse, times).sections[0]
    assert section.slots_per_beat == 2
    assert section.swing_ratio == pytest.approx(ratio, abs=0.15)


def test_early_sixteenths_are_not_swung():
    a_pulse = pulse(96, bpm=120)
    times = played(a_pulse, [0, 0.5, 1, 1.25, 1.5, 2, 2.5, 2.75, 3, 3.5]) - 0.025
    section = grid_of(a_pulse, times).sections[0]
    assert (section.slots_per_beat, section.swing_ratio) == (4, 1.0)


@pytest.mark.parametrize(
    ("bpm", "ratio", "plausible"),
    [
        # Friberg and Sundström 2002: about 3.5 : 1 at slow tempi, 1 : 1 at fast ones, the short note about 100 ms.
        (120, 3.5, True),
        (200, 2.0, True),
        (300, 1.0, True),
        (200, 3.5, False),
        (300, 2.0, False),
    ],
)
def test_swing_is_doubted_where_friberg_and_sundstroem_heard_none(bpm, ratio, plausible):
    found = swing_warnings(Grid((GridSection(0, 9, 2, ratio),)), 60000 / bpm)
    assert (found == ()) == plausible
    assert plausible or f"{60000 / bpm / (1 + ratio):.0f} ms" in found[0]
    assert swing_warnings(Grid(()), 500.0) == ()


@pytest.mark.parametrize("ratio", [1.4, 1.8])
def test_swung_sixteenths_and_their_ratio(ratio):
    a_pulse = pulse(96, bpm=80)
    late = 0.5 * ratio / (1 + ratio)
    positions = [k / 2 + p for k in range(8) for p in (0, late)]
    section = grid_of(a_pulse, played(a_pulse, positions)).sections[0]
    assert section.slots_per_beat == 4
    assert section.swing_ratio == pytest.approx(ratio, abs=0.15)


def test_a_swing_that_leaves_too_little_for_the_short_note_is_none():
    # 3 : 1 at 300 bpm leaves 50 ms, less than drummers play (Friberg and Sundström 2002: about 100 ms).
    a_pulse = pulse(96, bpm=300)
    times = played(a_pulse, [k + p for k in range(4) for p in (0, 0.75)], spread_s=0.002)
    assert all(200 / (1 + section.swing_ratio) >= 60 for section in grid_of(a_pulse, times).sections)


def test_sounds_struck_together_count_once_at_their_mean():
    a_pulse = pulse(96, bpm=120, start_s=1.13)
    beats = at_places(a_pulse, [0, 1, 2, 3])
    section = grid_of(a_pulse, beats, beats + 0.012, at_places(a_pulse, [0.5, 1.5, 2.5, 3.5]) + 0.006).sections[0]
    assert (section.slots_per_beat, section.swing_ratio) == (2, 1.0)


def test_sections_follow_each_other_without_gap_and_one_odd_bar_makes_none():
    a_pulse = pulse(128, bpm=100)
    eighths, thirds = [k / 2 for k in range(8)], [k / 3 for k in range(12)]
    half = grid_of(
        a_pulse, np.r_[at_places(a_pulse, eighths, range(16)), at_places(a_pulse, thirds, range(16, 32))]
    ).sections
    assert half[0].last_bar + 1 == half[1].first_bar
    others = [bar for bar in range(32) if bar != 9]
    odd = np.r_[at_places(a_pulse, eighths, others), at_places(a_pulse, [0, 1, 4 / 3, 5 / 3], [9])]
    assert len(grid_of(a_pulse, np.sort(odd)).sections) == 1


def phases(phase, beat_ms=500.0):
    n = len(phase)
    return grids._Phases(np.array(phase, float), np.zeros(n, np.int64), np.full(n, beat_ms))


def slow_log_likelihood(phase, beat_ms, places):
    """Expectation maximisation with sums written out: a tenth of the hits are strays, places start alike and keep a
    tenth of a hit.
    """

    def density(p, place):
        away = abs(p - place)
        away_ms = min(away, 1 - away) * beat_ms
        return exp(-0.5 * (away_ms / 14) ** 2) / (14 * sqrt(2 * pi))

    weight = [1 / len(places)] * len(places)
    for _ in range(12):
        total = [0.1] * len(places)
        for p in phase:
            joint = [0.9 * w * density(p, place) for w, place in zip(weight, places, strict=True)]
            for k in range(len(places)):
                total[k] += joint[k] / (sum(joint) + 0.1 / beat_ms)
        weight = [one / sum(total) for one in total]
    return [
        log(0.1 / beat_ms + sum(0.9 * w * density(p, place) for w, place in zip(weight, places, strict=True)))
        for p in phase
    ]


@pytest.mark.parametrize(
    ("section", "places"),
    [
        (GridSection(0, 0, 1, 1.0), [0]),
        (GridSection(0, 0, 3, 1.0), [0, 1 / 3, 2 / 3]),
        (GridSection(0, 0, 2, 2.0), [0, 2 / 3]),
        (GridSection(0, 0, 4, 1.5), [0, 0.3, 0.5, 0.8]),
    ],
)
def test_the_likelihood_of_a_grid_is_that_of_a_slow_version(section, places):
    rng = np.random.default_rng(5)
    phase = np.r_[rng.uniform(0, 1, 20), rng.normal(0.5, 0.02, 10), rng.normal(0, 0.02, 10) % 1.0]
    found = grids._log_likelihood(phases(phase, 470.0), section)
    np.testing.assert_allclose(found, slow_log_likelihood(phase, 470.0, places), rtol=1e-9)


def test_the_best_path_is_that_of_trying_every_path():
    rng = np.random.default_rng(2)
    for _ in range(20):
        gain = rng.normal(0, 9, (6, 3))
        every = product(range(3), repeat=6)
        # Each change of grid must gain 12 nats.
        worth = {p: sum(gain[k, p[k]] for k in range(6)) - 12 * sum(np.diff(p) != 0) for p in every}
        assert tuple(grids._best_path(gain).tolist()) == max(worth, key=worth.get)


def test_hits_are_counted_from_the_beat_before_them_with_their_bar():
    a_pulse = pulse(9, bpm=120, start_s=1.0)
    # Before the first beat and from the last on there is no beat to count from.
    found = grids._phases(
        beats_of(a_pulse), bars_of(a_pulse), hits_at([0.9, 1.0, 1.125, 1.5, 3.4, 4.98, 5.0, 5.2]).time_s
    )
    np.testing.assert_allclose(found.phase, [0.0, 0.25, 0.0, 0.8, 0.96], atol=1e-9)
    assert found.bar.tolist() == [0, 0, 0, 1, 1]
    np.testing.assert_allclose(found.beat_ms, 500)


@pytest.mark.parametrize(("apart_s", "expected"), [(0.014, [0.014]), (0.016, [0.0, 0.032])])
def test_what_sounds_within_15_ms_is_one_attack_at_its_mean(apart_s, expected):
    a_pulse = pulse(9, bpm=120)
    # The habit is taken from the beats: eight hits on them keep it at nothing.
    pair = [1.25, 1.25 + apart_s]
    found = grids._phases(beats_of(a_pulse), bars_of(a_pulse), hits_at(a_pulse.time_s[:8], pair).time_s)
    between = found.phase[(found.phase > 0.4) & (found.phase < 0.6)]
    np.testing.assert_allclose(between - 0.5, expected, atol=1e-9)


def test_a_habit_is_the_median_of_what_lies_within_60_ms_of_a_beat():
    away_ms = np.array([-10.0, -20.0, -59.0, 61.0, 200.0, 5.0])
    assert lean_ms(away_ms % 500.0, np.full(6, 500.0)) == pytest.approx((-10 - 20) / 2)
    assert lean_ms(np.array([100.0, 250.0]), np.full(2, 500.0)) == 0.0
    assert lean_of_ms(np.array([0.96, 1.47, 1.7]), np.arange(1.0, 4.0, 0.5)) == pytest.approx((-40 - 30) / 2)
    assert lean_of_ms(np.array([1.0]), np.array([1.0])) == lean_of_ms(np.zeros(0), np.arange(3.0)) == 0.0


@pytest.mark.parametrize(
    ("bpm", "expected"),
    [
        # Places closer than 55 ms are none: sixteenths at 275 bpm are 54.5 ms apart, at 270 bpm 55.6.
        (270, [1, 2, 3, 4]),
        (275, [1, 2, 3]),
        (180, [1, 2, 3, 4, 6]),
        (185, [1, 2, 3, 4]),
        (360, [1, 2, 3]),
        (370, [1, 2]),
        (600, [1, 2]),
    ],
)
def test_grids_that_the_tempo_allows(bpm, expected):
    assert [slots for slots, _ in grids._candidates(phases([0.0] * 4, 60000 / bpm))] == expected


def test_without_hits_all_grids_of_a_usual_tempo_are_open():
    assert grids._candidates(phases([])) == [(1, 1.0), (2, 1.0), (3, 1.0), (4, 1.0), (6, 1.0)]


def test_sixteen_hits_are_enough_to_ask_for_swing_and_fifteen_are_not():
    swung = [0.0, 2 / 3] * 8
    assert (2, 2.0) in grids._candidates(phases(swung))
    assert all(ratio == 1.0 for _, ratio in grids._candidates(phases(swung[:15])))


@pytest.mark.parametrize(
    ("beats", "late", "ratio"),
    [
        # At least eight late notes, and six percent of all.
        (20, 7, 1.0),
        (20, 8, 2.0),
        (200, 12, 1.0),
        (200, 13, 2.0),
    ],
)
def test_a_few_late_notes_are_no_swing(beats, late, ratio):
    assert grids._fit_swing(phases([0.0] * beats + [2 / 3] * late), 2) == ratio


@pytest.mark.parametrize(
    ("bpm", "slots", "largest"),
    [
        # Swung eighths up to 3.5 : 1 and no short note below 60 ms; sixteenths up to 2.2 : 1 and none below 70 ms.
        (120, 2, 3.5),
        (300, 2, 2.33),
        (80, 4, 2.2),
        (150, 4, 1.86),
        (500, 2, 1.0),
        (500, 4, 1.0),
    ],
)
def test_a_ratio_beyond_what_is_played_is_cut_off(bpm, slots, largest):
    pair = 2 / slots
    bound = largest / (1 + largest) * pair
    beyond = [k * pair for k in range(slots // 2)] * 20 + [bound + 0.005 * pair] * 20
    assert grids._fit_swing(phases(beyond, 60000 / bpm), slots) == pytest.approx(largest, abs=0.005)


def test_the_ratio_is_the_mean_of_the_late_notes_and_not_a_step_of_the_search():
    late = np.random.default_rng(1).normal(0.63, 0.005, 40)
    expected = late.mean() / (1 - late.mean())
    assert grids._fit_swing(phases(np.r_[np.zeros(40), late]), 2) == pytest.approx(expected, abs=0.005)


def test_a_warning_names_the_largest_swing_of_eighths_and_starts_below_75_ms():
    def told(beat_ms, *sections):
        return swing_warnings(Grid(tuple(GridSection(0, 9, *section) for section in sections)), beat_ms)

    assert told(300.0, (2, 3.0)) == ()
    assert "a swing of 3.0 : 1 leaves 74 ms" in told(296.0, (2, 3.0))[0]
    assert "3.0 : 1" in told(296.0, (2, 2.0), (2, 3.0), (4, 2.2))[0]
    assert told(296.0, (4, 3.0)) == ()
    # Straight eighths may be as short as they like.
    assert told(100.0, (2, 1.0)) == told(100.0, (2, 1.14)) == ()
    assert told(150.0, (2, 1.15)) != ()


def test_sections_are_runs_of_one_candidate():
    found = grids._sections([(2, 1.5), (2, 1.5), (1, 1.0), (4, 1.0), (4, 1.0), (4, 1.0)])
    assert found == (GridSection(0, 1, 2, 1.5), GridSection(2, 2, 1, 1.0), GridSection(3, 5, 4, 1.0))


def test_triplets_must_say_more_than_even_parts_do_and_their_halves_still_more():
    # Nothing but beats: every grid fits, and the plainest is taken.
    a_pulse = pulse(64, bpm=100)
    assert grid_of(a_pulse, at_places(a_pulse, [0, 1, 2, 3])).sections[0].slots_per_beat == 1
    thirds = np.r_[at_places(a_pulse, [0, 1, 2, 3]), at_places(a_pulse, [1 / 3, 2 / 3])]
    assert grid_of(a_pulse, np.sort(thirds)).sections[0].slots_per_beat == 3
    sixths = np.r_[thirds, at_places(a_pulse, [1 / 6, 5 / 6])]
    assert grid_of(a_pulse, np.sort(sixths)).sections[0].slots_per_beat == 6


def test_bars_without_hits_go_with_those_beside_them_and_without_any_there_are_only_beats():
    a_pulse = pulse(64, bpm=100)
    sections = grid_of(a_pulse, at_places(a_pulse, [k / 2 for k in range(8)], [*range(6), *range(10, 15)])).sections
    assert [(s.first_bar, s.last_bar, s.slots_per_beat) for s in sections] == [(0, 15, 2)]
    assert grid_of(a_pulse, []).sections == (GridSection(0, 15, 1, 1.0),)


BASS, UNKNOWN = Sound(80.0, 200.0, 0.1, instrument="bass"), Sound(900.0, 60.0, 0.3)
EIGHTHS = tuple(k / 2 for k in range(8))


def grid_with_unknown(bass, unknown):
    a_pulse = pulse(96, bpm=90)
    hits = hits_at(played(a_pulse, bass), played(a_pulse, unknown, seed=1), sounds=(BASS, UNKNOWN))
    (section,) = find_grid(beats_of(a_pulse), bars_of(a_pulse), hits).sections
    return section.slots_per_beat, section.swing_ratio


def test_the_grid_is_that_of_sounds_the_network_knows():
    # Parts of a ringing sound, a little behind the eighths, look like swung sixteenths; the bass plays straight.
    late = tuple(k + 0.34 for k in range(4))
    assert grid_of(pulse(96, bpm=90), played(pulse(96, bpm=90), (0, 1, 2, 3, *late))).sections[0].swing_ratio != 1.0
    assert grid_with_unknown(EIGHTHS, (0, 1, 2, 3, *late)) == (2, 1.0)
    # Two notes a bar are too few to say so.
    assert grid_with_unknown((0, 2), (0, 1, 2, 3, *late)) != (2, 1.0)


def test_what_plays_evenly_between_the_places_of_the_known_sounds_makes_the_grid_finer():
    assert grid_with_unknown(EIGHTHS, (0.25, 2.75)) == (4, 1.0)
    assert grid_with_unknown((0, 1, 2, 3), EIGHTHS) == (2, 1.0)
    # A finer grid is no reason to give up a swing that they play.
    assert grid_with_unknown(tuple(k + p for k in range(4) for p in (0, 2 / 3)), (0, 1, 2, 3))[1] > 1.5


def test_doubtful_hits_have_no_say_in_the_grid():
    a_pulse = pulse(96, bpm=90)
    hits = hits_at(played(a_pulse, EIGHTHS), played(a_pulse, (1 / 3, 5 / 3)), sounds=(BASS, UNKNOWN))
    for doubted in range(2):
        log_odds = np.where(hits.sound == doubted, -1.0, 1.0)
        (section,) = find_grid(beats_of(a_pulse), bars_of(a_pulse), replace(hits, log_odds=log_odds)).sections
        assert section.slots_per_beat == (3 if doubted == 0 else 2)
