"""Where clicks fall, as planned and as heard in what is rendered."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile
from songs import analysis, onsets, random_analysis, write_track

from pulsefind.core.counts import within_beat
from pulsefind.core.errors import HintError
from pulsefind.core.records import GridSection, Stretch
from pulsefind.practice.clicks import (
    Asked,
    Clicks,
    Gap,
    bar_index,
    count_in,
    guide_places,
    merge,
    parse_bars,
    parse_gap,
    parse_places,
    place_clicks,
    silent_bars,
    swung,
    thinned,
    with_gaps,
)
from pulsefind.practice.mix import Levels
from pulsefind.practice.render import Plan, Practice, clicks_for, write_practice
from pulsefind.practice.spool import spooled


def times(song, text, accent=True):
    return place_clicks(song, parse_places(text, song.bars), accent).time_s


def within_bars(song, text):
    """Distances from the 1 of each bar, bar by bar."""
    clicks = place_clicks(song, parse_places(text, song.bars), True)
    return [
        list(np.round(clicks.time_s[clicks.bar == k] - song.bars.start_s[k], 9)) for k in range(len(song.bars.beats))
    ]


# Common practice, no source: at 60 bpm a beat is a second, so counts are seconds.
@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("2& 4&", [1.5, 3.5]),
        ("1e 2& 3 3a 4&", [0.25, 1.5, 2.0, 2.75, 3.5]),
        ("1e,2&, 3,3a 4&", [0.25, 1.5, 2.0, 2.75, 3.5]),
        ("beats", [0, 1, 2, 3]),
        ("1", [0]),
        ("2 4", [1, 3]),
        ("&", [0.5, 1.5, 2.5, 3.5]),
        ("1 1 beats", [0, 1, 2, 3]),
        ("1trip 1let", [1 / 3, 2 / 3]),
    ],
)
def test_worked_examples_at_60_bpm(text, seconds):
    song = analysis(bpm=60.0)
    for bar in within_bars(song, text):
        np.testing.assert_allclose(bar, seconds, atol=1e-8)


def test_the_1_is_accented_and_nothing_else():
    song = analysis()
    clicks = place_clicks(song, parse_places("beats &", song.bars), True)
    np.testing.assert_array_equal(clicks.accent, np.isin(clicks.time_s, song.bars.start_s))
    assert not place_clicks(song, parse_places("beats", song.bars), False).accent.any()


@pytest.mark.parametrize(("every", "bars"), [("1 every 2", [0, 2, 4, 6]), ("1 every 4", [0, 4]), ("1 every 8", [0])])
def test_every_so_many_bars(every, bars):
    song = analysis(meters=(4,) * 8)
    np.testing.assert_allclose(times(song, every), song.bars.start_s[bars])


def test_a_pattern_of_several_bars_counts_from_the_first_full_bar():
    song = analysis(meters=(4,) * 4, pickup=1)
    clicks = place_clicks(song, parse_places("1 then 2& then 3 4", song.bars), True)
    np.testing.assert_array_equal(clicks.bar, [0, 1, 2, 3, 3, 4])
    # The pickup is the last bar of the pattern: its 4 is clicked.
    assert clicks.time_s[0] == song.beats.time_s[0]


def test_swung_places_follow_the_grid():
    # Long : short 2 : 1 puts the & at two thirds of the beat (its definition).
    np.testing.assert_allclose(within_bars(analysis(slots=2, swing=2.0), "1&")[0], [2 / 3])
    # Swung sixteenths: e at two thirds of the half beat.
    np.testing.assert_allclose(within_bars(analysis(slots=4, swing=2.0), "1e 1& 1a")[0], [1 / 3, 0.5, 0.5 + 1 / 3])
    np.testing.assert_allclose(within_bars(swung(analysis(slots=2), 3.0), "1&")[0], [0.75])
    np.testing.assert_allclose(within_bars(swung(analysis(slots=4, swing=2.0), 1.0), "1e")[0], [0.25])


def test_syllables_that_the_grid_lacks_are_put_where_they_are_counted():
    swing = GridSection(0, 0, 2, 2.0)
    assert within_beat(swing, "e") == pytest.approx(1 / 3)
    assert within_beat(swing, "a") == pytest.approx(5 / 6)
    assert within_beat(GridSection(0, 0, 1, 1.0), "&") == 0.5
    assert within_beat(GridSection(0, 0, 3, 1.0), "&") == 0.5
    assert within_beat(GridSection(0, 0, 3, 1.0), "let") == pytest.approx(2 / 3)
    assert within_beat(GridSection(0, 0, 6, 1.0), "da") == pytest.approx(5 / 6)


def test_odd_and_changing_meters():
    song = analysis(meters=(7, 7, 5, 5), bpm=60.0, unit=8, slots=2)
    assert within_bars(song, "1 3 5 7") == [[0, 2, 4, 6], [0, 2, 4, 6], [0, 2, 4], [0, 2, 4]]
    assert within_bars(song, "7&") == [[6.5], [6.5], [], []]


def test_places_between_beats_follow_the_drift():
    song = analysis(drift=0.1)
    beat = song.beats.time_s
    np.testing.assert_allclose(times(song, "&")[:-1], (beat[:-1] + beat[1:]) / 2)


def test_the_guides_own_places():
    song = analysis(guide=(("2&", 1), ("4&", 2)), pattern_bars=2)
    assert guide_places(song.guides[0]) == (Asked(2, "&", 1, 2), Asked(4, "&", 2, 2))
    clicks = clicks_for(song, Plan(places="guide"), None)
    np.testing.assert_allclose(clicks.time_s - song.bars.start_s[clicks.bar], [3.5, 1.5, 3.5, 1.5, 3.5])
    # It sounds in bars 2 to 6, of which the even ones are the second of its pattern.
    np.testing.assert_array_equal(clicks.bar, [1, 2, 3, 4, 5])
    assert not clicks.accent.any()


def test_the_guide_is_clicked_only_where_it_sounds_and_the_plan_bar_by_bar():
    low, high = (analysis(meters=(4,) * 12, guide=((label, 1),)).guides[0] for label in ("1", "3&"))
    start_s = analysis(meters=(4,) * 12).bars.start_s
    low = replace(low, name="low thump", coverage=(Stretch(0, 3, start_s[0], start_s[4]),))
    high = replace(high, name="bright tick", coverage=(Stretch(2, 7, start_s[2], start_s[8]),))
    plan = (0,) * 4 + (1,) * 4 + (None,) * 4
    song = replace(analysis(meters=(4,) * 12), guides=(low, high), plan=plan)
    led = clicks_for(song, Plan(places="guide"), None)
    np.testing.assert_array_equal(led.bar, range(8))
    np.testing.assert_allclose(led.time_s - start_s[led.bar], [0.0] * 4 + [2.5] * 4)
    for asked in ("bright tick", "bright", "TICK", "2"):
        np.testing.assert_array_equal(clicks_for(song, Plan(places="guide", guide=asked), None).bar, range(2, 8))
    with pytest.raises(HintError, match="the guides of this track are low thump, bright tick"):
        clicks_for(song, Plan(places="guide", guide="cowbell"), None)


def test_the_backbeat_follows_the_meter():
    song = analysis(meters=(4, 4, 3, 6, 2))
    clicks = place_clicks(song, parse_places("backbeat", song.bars), False)
    counts = np.round(clicks.time_s - song.bars.start_s[clicks.bar]) + 1
    # Common practice, no source: 2 and 4; 2 and 3 of a waltz; 4 of six; 2 of two.
    np.testing.assert_array_equal(counts, [2, 4, 2, 4, 2, 3, 4, 2])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("5&", "no more than 4 counts"),
        ("1 9", "no more than 4 counts"),
        ("2x", "'2x' is no count"),
        ("0", "'0' is no count"),
        ("", "names no place"),
        (" , ", "names no place"),
        ("1 every 0", "write '1 every 2'"),
        ("1 every x", "write '1 every 2'"),
        ("1 every 2 then 3", "not both"),
        ("1 then " * 20 + "1", "pattern of 21 bars"),
    ],
)
def test_places_that_can_not_be_clicked(text, message):
    with pytest.raises(HintError, match=message):
        parse_places(text, analysis().bars)


def test_no_beats_and_no_guide_are_said():
    empty = analysis(meters=(4, 4), guide=())
    with pytest.raises(HintError, match="no guide was found"):
        clicks_for(empty, Plan(places="guide"), None)
    with pytest.raises(HintError, match="the guides of this track are bright tick"):
        clicks_for(analysis(guide=(("2", 1),)), Plan(places="guide", guide="2"), None)
    with pytest.raises(HintError, match="give one of them"):
        clicks_for(empty, Plan(gap=Gap(1, 1), thin=2), None)


def test_clicks_that_meet_are_one():
    first = Clicks(np.array([1.0, 2.0]), np.array([False, True]), np.array([0, 0]))
    second = Clicks(np.array([1.001, 3.0]), np.array([True, False]), np.array([0, 1]))
    both = merge(first, second)
    np.testing.assert_array_equal(both.time_s, [1.0, 2.0, 3.0])
    np.testing.assert_array_equal(both.accent, [True, True, False])


def test_gaps_count_bars():
    song = analysis(meters=(4,) * 10)
    clicks = place_clicks(song, parse_places("beats", song.bars), True)
    kept = with_gaps(clicks, song.bars, 0, Gap(2, 3))
    np.testing.assert_array_equal(np.unique(kept.bar), [0, 1, 5, 6])


def test_a_pickup_is_never_in_a_gap_of_its_own():
    song = analysis(meters=(4,) * 4, pickup=2)
    clicks = place_clicks(song, parse_places("beats", song.bars), True)
    kept = with_gaps(clicks, song.bars, 0, Gap(1, 1))
    np.testing.assert_array_equal(np.unique(kept.bar), [0, 1, 3])


@pytest.mark.parametrize("seed", range(20))
def test_a_random_gap_is_one_run_in_each_round_and_the_same_for_its_seed(seed):
    gap = Gap(5, 3, seed)
    silent = silent_bars(8 * 12, gap)
    np.testing.assert_array_equal(silent, silent_bars(8 * 12, gap))
    assert not silent[0]
    for round_ in silent.reshape(12, 8):
        where = np.flatnonzero(round_)
        assert len(where) == 3
        assert where[-1] - where[0] == 2


def test_random_gaps_differ_between_rounds_and_seeds():
    assert not np.array_equal(silent_bars(80, Gap(5, 3, 1)), silent_bars(80, Gap(5, 3, 2)))
    assert len({tuple(row) for row in silent_bars(80, Gap(5, 3, 1)).reshape(10, 8)}) > 1


@pytest.mark.parametrize("text", ["0:4", "4:0", "4", "a:b", "-1:2", "4:", "1.5:2"])
def test_gaps_that_can_not_be(text):
    with pytest.raises(HintError, match="--clickless"):
        parse_gap(text, None)


def test_thinning_goes_from_all_to_none():
    song = analysis(meters=(4,) * 20)
    clicks = place_clicks(song, parse_places("beats", song.bars), True)
    ones = place_clicks(song, parse_places("1", song.bars), True)
    thin = thinned(clicks, song.bars, 0, 4, ones)
    per_bar = np.bincount(thin.bar, minlength=20)
    np.testing.assert_array_equal(per_bar, [4] * 4 + [1] * 4 + [1, 0, 1, 0] + [1, 0, 0, 0] + [0] * 4)
    with pytest.raises(HintError, match="--thin 0"):
        thinned(clicks, song.bars, 0, 0, ones)


def test_count_in_at_the_tempo_that_follows():
    song = analysis(meters=(3,) * 4, bpm=90.0, start_s=5.0)
    clicks = count_in(song, 0, 2)
    np.testing.assert_allclose(clicks.time_s, 5.0 - np.arange(6, 0, -1) * 60 / 90)
    np.testing.assert_array_equal(clicks.accent, [1, 0, 0, 1, 0, 0])
    assert len(count_in(song, 0, 0).time_s) == 0


def test_a_pickup_is_counted_in_with_the_counts_that_its_bar_lacks():
    song = analysis(meters=(4,) * 4, pickup=1, start_s=0.5)
    clicks = count_in(song, 0, 1)
    # 1 2 3 4 1 2 3, and the pickup is the 4.
    np.testing.assert_allclose(clicks.time_s, 0.5 - np.arange(7, 0, -1))
    np.testing.assert_array_equal(clicks.accent, [1, 0, 0, 0, 1, 0, 0])
    with pytest.raises(HintError, match="from 0 to 8"):
        count_in(song, 0, 9)


def test_bars_are_named_as_the_report_counts_them():
    bars = analysis(meters=(4,) * 6, pickup=1).bars
    assert bar_index(bars, 0) == 0
    assert parse_bars("2-4", bars) == (2, 4)
    assert parse_bars("3", bars) == (3, 3)
    for text, message in (("5-3", "empty"), ("7", "no bar 7"), ("x", "like 9-16"), ("2-", "like 9-16"), ("-", "like")):
        with pytest.raises(HintError, match=message):
            parse_bars(text, bars)


@pytest.mark.parametrize("seed", range(20))
def test_rendered_clicks_are_heard_where_the_analysis_has_them(seed, tmp_path):
    """Within 1 ms, from the audio alone, on tracks with drift, pickups and changes of meter."""
    song = random_analysis(seed)
    write_track(tmp_path / "song.wav", song.track.duration_s, seed=seed)
    text = ["beats", "1 2& 3", "&", "1 2"][seed % 4]
    if "3" in text and song.bars.beats_per_bar.max() < 3:
        text = "beats"
    with spooled(tmp_path / "song.wav", None, None, 1.0) as spool:
        plan = Plan(places=text, count_in_bars=seed % 3)
        write_practice(Practice(song, spool, plan, None, Levels(split=True)), tmp_path / "out.wav", False)
    sound, rate_hz = soundfile.read(tmp_path / "out.wav")
    lead_s = len(sound) / rate_hz - song.track.duration_s
    expected = np.r_[count_in(song, 0, seed % 3).time_s, times(song, text)] + lead_s
    heard = onsets(sound[:, 1], rate_hz)
    assert len(heard) == len(expected)
    np.testing.assert_allclose(heard, expected, atol=0.001)
