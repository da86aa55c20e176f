"""The subdivision, from hits with a player's looseness."""

import numpy as np
import pytest
from making import at_places, bars_of, beats_of, hits_at, pulse

from pulsefind.grid import find_grid, swing_warnings
from pulsefind.records import Grid, GridSection


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
