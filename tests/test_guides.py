"""Guides from hits with a known pattern."""

import numpy as np
import pytest
from making import at_places, bars_of, beats_of, hits_at, pulse

from pulsefind.beats.bars import tempo_of
from pulsefind.beats.grid import find_grid
from pulsefind.core.records import Sound
from pulsefind.guides.finding import alone_stretches, find_guides
from pulsefind.guides.misreadings import find_misreadings


def guides_of(a_pulse, *groups, folded=None, **options):
    hits = hits_at(*groups, **options)
    beats, bars = beats_of(a_pulse), bars_of(a_pulse)
    return find_guides(hits, beats, bars, find_grid(beats, bars, hits), folded and (lambda: folded))


def labels(guide):
    return [(p.bar, p.label) for p in guide.places] if guide.pattern_bars > 1 else [p.label for p in guide.places]


def loosely(times, spread_s=0.005, seed=0):
    return np.sort(times + np.random.default_rng(seed).normal(0, spread_s, len(times)))


@pytest.mark.parametrize(
    ("positions", "expected"),
    [
        # Worked examples of common practice, no source: seconds of a bar at 60 bpm.
        ((1.5, 3.5), ["2&", "4&"]),
        ((0.25, 1.5, 2.0, 2.75, 3.5), ["1e", "2&", "3", "3a", "4&"]),
        ((1.0, 3.0), ["2", "4"]),
    ],
)
def test_the_worked_examples_come_out_exactly(positions, expected):
    a_pulse = pulse(96, bpm=60)
    other = at_places(a_pulse, [k / 4 for k in range(16)])
    guides = guides_of(a_pulse, loosely(at_places(a_pulse, positions)), loosely(other, seed=1))
    assert expected in [labels(g) for g in guides]


def test_offset_spread_and_rate_are_measured():
    a_pulse = pulse(160, bpm=100)
    times = at_places(a_pulse, [1.5]) + np.where(np.arange(40) % 2, 0.018, 0.010)
    # Without hits 5 to 8 bars in ten are struck at the second place.
    sometimes = np.sort(np.r_[times, at_places(a_pulse, [3.5], bars=[b for b in range(40) if b % 5])])
    guide = guides_of(a_pulse, sometimes, at_places(a_pulse, [k / 2 for k in range(8)]))[-1]
    guide = next(
        g for g in [guide, *guides_of(a_pulse, sometimes, at_places(a_pulse, [0, 1, 2, 3]))] if len(g.places) == 2
    )
    first, second = guide.places
    assert (first.label, second.label) == ("2&", "4&")
    assert first.offset_ms == pytest.approx(14, abs=0.5)
    assert first.spread_ms == pytest.approx(4, abs=0.5)
    assert second.hit_rate == pytest.approx(0.8, abs=0.03)
    assert (first.position_beats, second.position_beats) == (1.5, 3.5)


def test_a_two_bar_figure_is_not_folded_on_one():
    # Son clave, 3-2 (common practice, no source): 1, 2&, 4 | 2, 3.
    a_pulse = pulse(128, bpm=100)
    three = at_places(a_pulse, [0, 1.5, 3], bars=range(0, 32, 2))
    two = at_places(a_pulse, [1, 2], bars=range(1, 32, 2))
    guide = guides_of(a_pulse, np.sort(np.r_[three, two]), at_places(a_pulse, [k / 2 for k in range(8)]))
    clave = next(g for g in guide if g.pattern_bars == 2)
    assert labels(clave) == [(1, "1"), (1, "2&"), (1, "4"), (2, "2"), (2, "3")]


def test_fills_and_ghost_hits_do_not_blur_the_pattern():
    rng = np.random.default_rng(4)
    a_pulse = pulse(128, bpm=110)
    pattern = at_places(a_pulse, [1, 3], bars=[b for b in range(32) if b % 8 != 7])
    fill = at_places(a_pulse, [2, 2.25, 2.5, 2.75, 3, 3.5], bars=range(7, 32, 8))
    ghosts = rng.choice(at_places(a_pulse, [k / 4 for k in range(16)]), 15, replace=False)
    guide = guides_of(a_pulse, np.unique(np.r_[pattern, fill, ghosts]))[0]
    assert labels(guide) == ["2", "4"]
    assert guide.coverage_share > 0.9


def test_a_break_is_alone_and_sections_have_their_own_guide():
    a_pulse = pulse(160, bpm=120)
    tick = at_places(a_pulse, [0.5, 1.5, 2.5, 3.5], bars=range(16))
    clap = at_places(a_pulse, [1, 3], bars=range(20, 40))
    guides = guides_of(a_pulse, tick, clap)
    assert [labels(g) for g in sorted(guides, key=lambda g: g.coverage[0].first_bar)] == [
        ["1&", "2&", "3&", "4&"],
        ["2", "4"],
    ]
    alone = alone_stretches(guides, bars_of(a_pulse))
    assert [(s.first_bar, s.last_bar) for s in alone] == [(16, 19)]
    assert alone[0].start_s == pytest.approx(1.0 + 64 * 0.5)
    assert alone[0].end_s == pytest.approx(1.0 + 80 * 0.5)


def test_the_louder_of_two_like_patterns_comes_first():
    a_pulse = pulse(96)
    both = at_places(a_pulse, [1.5]), at_places(a_pulse, [2.5])
    hits = hits_at(*both)
    level = np.where(hits.sound == 1, 25.0, 5.0)
    import dataclasses

    hits = dataclasses.replace(hits, level_db=level)
    beats, bars = beats_of(a_pulse), bars_of(a_pulse)
    guides = find_guides(hits, beats, bars, find_grid(beats, bars, hits))
    assert labels(guides[0]) == ["3&"]
    assert guides[0].audibility > guides[1].audibility


def test_random_hits_are_no_guide():
    rng = np.random.default_rng(9)
    a_pulse = pulse(160, bpm=110)
    times = np.sort(rng.uniform(a_pulse.time_s[0], a_pulse.time_s[-1], 160))
    assert all(g.coverage_share < 0.35 for g in guides_of(a_pulse, times))


def test_nothing_gives_nothing():
    assert guides_of(pulse(0), []) == ()
    assert guides_of(pulse(64), []) == ()
    assert guides_of(pulse(3), at_places(pulse(3), [0])) == ()
    everything = alone_stretches((), bars_of(pulse(16)))
    assert [(s.first_bar, s.last_bar) for s in everything] == [(0, 3)]


def test_an_off_beat_pair_can_be_taken_for_slow_beats():
    # Hits on 2& and 4& at 120 are evenly spaced, 60 a minute.
    a_pulse = pulse(96, bpm=120)
    guides = guides_of(a_pulse, at_places(a_pulse, [1.5, 3.5]), at_places(a_pulse, [k / 2 for k in range(8)]))
    index = next(i for i, g in enumerate(guides) if labels(g) == ["2&", "4&"])
    bars = bars_of(a_pulse)
    found = [m for m in find_misreadings(guides, bars, tempo_of(beats_of(a_pulse), bars)) if m.guide == index]
    slow = next(m for m in found if m.kind == "slow")
    assert slow.bpm == pytest.approx(60, abs=0.1)
    # Or for 1 and 3 at the true tempo, half a beat off.
    assert found[0].kind == "off the beat" and found[0].bpm == pytest.approx(120, abs=0.1)


def test_two_sounds_in_one_are_no_guide_once_they_are_told_apart():
    a_pulse = pulse(96)
    low, high = at_places(a_pulse, [0, 2]), at_places(a_pulse, [1.5, 3.5])
    both = np.sort(np.r_[low, high])
    assert ["1", "2&", "3", "4&"] in [labels(g) for g in guides_of(a_pulse, both)]
    told_apart = [labels(g) for g in guides_of(a_pulse, both, folded=hits_at(low, high))]
    assert sorted(told_apart) == [["1", "3"], ["2&", "4&"]]
    # Parts that leave out a place of it don't explain it.
    told_apart = [labels(g) for g in guides_of(a_pulse, both, folded=hits_at(low, at_places(a_pulse, [1.5])))]
    assert ["1", "2&", "3", "4&"] in told_apart


def test_one_place_of_a_clear_drum_is_not_a_sound_of_its_own():
    a_pulse = pulse(96)
    drum = at_places(a_pulse, [1, 3])
    snare = (Sound(2000.0, 80.0, 0.5, "snare"),)
    one, other = hits_at(at_places(a_pulse, [1])), hits_at(at_places(a_pulse, [2]))
    assert [labels(g) for g in guides_of(a_pulse, drum, sounds=snare, folded=one)] == [["2", "4"]]
    assert ["3"] in [labels(g) for g in guides_of(a_pulse, drum, sounds=snare, folded=other)]
    # Where the drum is unclear, for it is struck in 16 bars of 24 elsewhere, the place stands.
    rng = np.random.default_rng(2)
    ghosts = [at_places(a_pulse, [k], bars=rng.permutation(24)[:16]) for k in (0, 0.5, 1.5, 2, 2.5, 3.5)]
    unclear = np.sort(np.r_[drum, *ghosts])
    assert ["2"] in [labels(g) for g in guides_of(a_pulse, unclear, sounds=snare, folded=one)]


def test_a_sound_struck_everywhere_alike_says_nothing():
    a_pulse = pulse(96)
    # Each eighth but one in 18 bars of 24, that one in 16.
    rng = np.random.default_rng(2)
    times = [at_places(a_pulse, [k / 2], bars=rng.permutation(24)[: 18 if k < 7 else 16]) for k in range(8)]
    assert guides_of(a_pulse, np.sort(np.concatenate(times))) == ()
    drum = (Sound(8000.0, 50.0, 0.3, "hi-hat"),)
    assert len(guides_of(a_pulse, np.sort(np.concatenate(times)), sounds=drum)) == 1
