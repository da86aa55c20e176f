import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from eval.take.simulation import make_track
from pulsefind.core.records import GridSection
from pulsefind.take import matching as take_match
from pulsefind.take import pattern
from pulsefind.take.assigning import WINDOW_MS, assign, window_of
from pulsefind.take.corrections import fit_ramp
from pulsefind.take.matching import match
from pulsefind.take.measures import places_of
from pulsefind.take.places import Slots, guided_beats
from pulsefind.take.records import Played, TakeHits


def cost_of(pairs, time_s, nominal_s):
    matched = sum(abs(time_s[i] - nominal_s[s]) for i, s in pairs)
    return matched + (len(time_s) - len(pairs)) * WINDOW_MS / 1000


@given(st.lists(st.floats(0.0, 2.0), min_size=1, max_size=12), st.integers(3, 14))
@settings(deadline=None, max_examples=60)
def test_assignment_costs_no_more_than_the_hungarian_method_finds(times, n_slots):
    time_s, nominal_s = np.sort(times), np.linspace(0.0, 2.0, n_slots)
    window_s = np.full((n_slots, 2), WINDOW_MS / 1000)
    window_s[::2, 0] = 0.03
    away = time_s[:, None] - nominal_s[None, :]
    # scipy's optimal assignment, with one way out per hit at the price of a window.
    price = np.where((away >= -window_s[:, 0]) & (away <= window_s[:, 1]), np.abs(away), 1e6)
    full = np.hstack([price, np.where(np.eye(len(time_s)) > 0, WINDOW_MS / 1000, 1e6)])
    rows, columns = linear_sum_assignment(full)
    pairs = assign(time_s, nominal_s, window_s)
    assert cost_of(pairs, time_s, nominal_s) == pytest.approx(full[rows, columns].sum(), abs=1e-9)
    assert len({s for _, s in pairs}) == len(pairs) == len({i for i, _ in pairs})


def played(rows, unit="velocity"):
    rows = sorted(rows)
    time_s, kind, level = zip(*rows, strict=True)
    return TakeHits(np.array(time_s), tuple(kind), np.array(level, float), unit, time_s[-1] + 1, "midi")


def steady(track, skip=()):
    """Hats on every eighth, kick and snare in turn on the beats, exactly on the track."""
    rows = []
    edges = np.r_[track.beats.time_s, track.bars.end_s]
    for b in range(len(edges) - 1):
        for half in (0, 1):
            t = float(edges[b] + half * 0.5 * (edges[b + 1] - edges[b]))
            rows.append((t, "hat", 70))
            if half == 0 and b not in skip:
                rows.append((t, "snare" if b % 2 else "kick", 100))
    return rows


def test_every_hit_of_a_steady_take_finds_its_place():
    track = make_track(100, 16)
    hits = played(steady(track))
    found = match(track, hits, hits.time_s)
    assert len(found.played.time_s) == len(hits.time_s)
    assert np.abs(found.played.offset_ms).max() < 1e-6
    assert found.strays == () and found.missed == ()
    assert set(found.played.place) == {"1", "1&", "2", "2&", "3", "3&", "4", "4&"}


def test_a_note_left_out_of_the_pattern_is_missed_at_its_place():
    track = make_track(100, 16)
    hits = played(steady(track, skip=(21,)))
    found = match(track, hits, hits.time_s)
    assert [(m.bar, m.place, m.kind) for m in found.missed] == [(5, "2", "snare")]
    assert found.missed[0].time_s == pytest.approx(track.beats.time_s[21])


def test_a_hit_too_many_is_left_out_rather_than_moving_all_others_on():
    # Left out it costs a window, 90 ms; on the next place it moves three others by 50 ms each.
    time_s = np.array([0.0, 0.02, 0.05, 0.1, 0.15])
    assert assign(time_s, np.arange(6) * 0.05, np.full((6, 2), 0.09)) == [(0, 0), (2, 1), (3, 2), (4, 3)]


@pytest.mark.parametrize("after_s", [-0.025, 0.025])
def test_a_flam_counts_once_and_its_grace_note_is_named(after_s):
    track = make_track(100, 16)
    grace_s = float(track.beats.time_s[9]) + after_s
    hits = played([*steady(track), (grace_s, "snare", 40)])
    found = match(track, hits, hits.time_s)
    assert [(s.reason, s.time_s) for s in found.strays] == [("flam", grace_s)]
    assert np.abs(found.played.offset_ms).max() < 1e-6


def test_ghost_notes_are_marked_and_keep_their_own_place():
    track = make_track(90, 16, slots_per_beat=4)
    rows = steady(track)
    ghosts = [float(track.beats.time_s[b] + 0.75 * 60 / 90) for b in range(0, 60, 4)]
    hits = played([*rows, *((t, "snare", 25) for t in ghosts)])
    found = match(track, hits, hits.time_s)
    marked = found.played.ghost
    assert marked.sum() == len(ghosts)
    assert {found.played.place[i] for i in np.flatnonzero(marked)} == {"1a"}


def test_on_a_swung_grid_a_late_note_belongs_to_the_place_before_up_to_the_middle_of_the_long_space():
    # At 150 bpm and a ratio of 2.4 the long space is 282 ms and the short one 118 ms: 75 ms behind is beyond half of
    # the short one, but what follows is the long one.
    track = make_track(150, 24, slots_per_beat=2, swing_ratio=2.4)
    long_s = 2.4 / 3.4 * 60 / 150
    rows = [(float(b) + at, "hat", 70) for b in track.beats.time_s for at in (0.0, long_s)]
    rows[20] = (rows[20][0] + 0.075, "hat", 70)
    found = match(track, played(rows), np.array([t for t, _, _ in rows]))
    assert found.strays == ()
    assert found.played.offset_ms.max() == pytest.approx(75, abs=1e-6)


def test_the_level_settles_with_the_notes_that_it_is_taken_from():
    # Sixteenths at 150 bpm lie 100 ms apart. All notes lie 12.4 ms behind but for some that lie 61.5 ms behind: within
    # half a space (50 ms) of where this player's notes lie, beyond it from a course in steps of 5 ms.
    track = make_track(150, 24, slots_per_beat=4)
    slots_s = np.concatenate([b + np.arange(4) * 0.1 for b in track.beats.time_s])
    late_s = np.full(len(slots_s), 0.0124)
    late_s[5::32] = 0.0615
    at_s = slots_s + late_s
    found = match(track, played([(float(t), "hat", 70) for t in at_s]), at_s)
    assert len(found.played.time_s) == len(at_s)
    assert found.played.offset_ms.max() == pytest.approx(61.5, abs=1e-6)
    assert found.played.offset_ms.min() == pytest.approx(12.4, abs=1e-6)


def test_hits_between_places_are_extra_and_hits_around_the_song_are_outside():
    track = make_track(100, 16)
    end_s = track.bars.end_s
    hits = played([*steady(track), (10.15, "tom", 80), (end_s + 3.0, "tom", 80)])
    found = match(track, hits, hits.time_s)
    assert [s.reason for s in found.strays] == ["extra", "outside"]


def test_a_fill_is_a_bar_of_new_strokes_and_one_new_stroke_makes_none():
    track = make_track(100, 16)
    one_s = float(track.bars.start_s[5])
    toms = [(one_s + 0.3 * k, "tom", 100) for k in range(8)]
    kept = [row for row in steady(track) if not one_s - 0.01 <= row[0] < one_s + 2.39]
    hits = played([*kept, *toms])
    assert match(track, hits, hits.time_s).fills.tolist() == [5]
    hits = played([*steady(track), toms[3]])
    assert match(track, hits, hits.time_s).fills.tolist() == []


def test_a_player_who_drifts_beyond_half_a_place_is_followed():
    track = make_track(100, 24, alone=((8, 13),))
    rows = steady(track)
    alone = track.alone[0]
    length = alone.end_s - alone.start_s

    def late(t):
        # Alone up to 180 ms late, more than half an eighth of 300 ms; the bar after takes it back.
        if alone.start_s <= t < alone.end_s:
            return 0.18 * (t - alone.start_s) / length
        return max(0.0, 0.18 * (1 - (t - alone.end_s) / 2.4)) if t >= alone.end_s else 0.0

    hits = played([(t + late(t), k, v) for t, k, v in rows])
    found = match(track, hits, hits.time_s)
    assert found.played.offset_ms.max() == pytest.approx(180, abs=8)
    assert len(found.played.time_s) == len(rows)


def test_a_ramp_is_found_where_a_slow_search_finds_it():
    rng = np.random.default_rng(0)
    t = np.arange(24) * 0.25
    y = np.interp(t, [2.0, 4.0], [80.0, 0.0]) + rng.normal(0, 3, 24)
    best = min(
        (
            np.linalg.lstsq(np.stack([np.ones(24), np.clip((t - t[a]) / (t[b] - t[a]), 0, 1)], 1), y, rcond=None)[1][0],
            a,
            b,
        )
        for a in range(24)
        for b in range(a + 1, 24)
    )
    ramp = fit_ramp(t, y, 8.0)
    assert (ramp.first, ramp.last) == best[1:]
    assert ramp.before_ms == pytest.approx(80, abs=4)
    assert ramp.after_ms == pytest.approx(0, abs=4)


def test_a_jump_over_notes_that_were_not_heard_is_still_a_jump():
    t = np.delete(np.arange(32) * 0.25, [9, 10, 11, 12])
    y = np.where(t < 2.2, 200.0, 0.0) + np.random.default_rng(2).normal(0, 10, len(t))
    assert fit_ramp(t, y, 8.0).spread_share < 0.05


def slots_at(nominal_s, spacing_s=0.1):
    n = len(nominal_s)
    whole, part = np.zeros(n, np.int64), np.zeros(n)
    return Slots(np.array(nominal_s, float), whole, whole, part, part, np.full(n, spacing_s), ("1",) * n)


def test_a_hit_may_lie_half_a_space_from_its_place_and_never_more_than_90_ms():
    # Spaces of 240, 100 and 170 ms: half of each, on its own side, but for the widest.
    window_ms = 1000 * window_of(slots_at([1.0, 1.24, 1.34, 1.51]))
    np.testing.assert_allclose(window_ms, [[90, 90], [90, 50], [50, 85], [85, 85]])


def on(slots, ratio=1.0):
    return GridSection(0, 15, slots, ratio)


@pytest.mark.parametrize(
    ("bpm", "track", "player", "expected"),
    [
        # A finer track has the player's places too; a finer player needs their own.
        (100, on(4), on(2), on(4)),
        (100, on(3), on(1), on(3)),
        (100, on(6), on(2), on(6)),
        (100, on(2), on(4), on(4)),
        (100, on(2), on(3), on(3)),
        (100, on(4), on(3), on(3)),
        (100, on(4), on(2, 2.0), on(2, 2.0)),
        # The second eighth of a pair at 1.3 : 1 lies (1.3 / 2.3 - 0.5) * 600 = 39 ms late, at 1.2 : 1 27 ms, at twice
        # the tempo half as much.
        (100, on(2), on(2, 1.3), on(2, 1.3)),
        (100, on(2), on(2, 1.2), on(2)),
        (200, on(2), on(2, 1.3), on(2)),
        (100, on(2, 1.9), on(2), on(2)),
        (100, on(2, 2.0), on(2, 2.1), on(2, 2.0)),
        # A pair at more than 2.7 : 1 is a dotted rhythm.
        (100, on(2), on(2, 2.7), on(2, 2.7)),
        (100, on(2), on(2, 2.8), on(2)),
        (100, on(4), on(2, 3.0), on(4)),
    ],
)
def test_hits_are_laid_on_the_track_s_grid_unless_the_player_s_is_finer_or_swings_otherwise(
    bpm, track, player, expected
):
    assert take_match._section_for(make_track(bpm, 16), 3, track, player) == expected


@pytest.mark.parametrize(
    ("apart_ms", "levels", "main", "grace"),
    [
        (44, (40, 100), [1], [0]),
        (44, (100, 40), [0], [1]),
        (44, (70, 70), [1], [0]),
        (46, (40, 100), [0, 1], []),
    ],
)
def test_the_softer_of_two_strokes_within_45_ms_leans_on_the_other(apart_ms, levels, main, grace):
    time_s = 1.0 + np.array([0.0, apart_ms / 1000])
    found = take_match._without_flams(np.array(["snare", "snare"]), time_s, np.array(levels, float))
    assert ({kind: kept.tolist() for kind, kept in found[0].items()}, found[1]) == ({"snare": main}, grace)
    apart = take_match._without_flams(np.array(["snare", "tom"]), time_s, np.array(levels, float))
    assert ({kind: kept.tolist() for kind, kept in apart[0].items()}, apart[1]) == ({"snare": [0], "tom": [1]}, [])


def test_three_strokes_that_follow_closely_are_one_with_two_before_it():
    time_s, level = np.array([1.0, 1.03, 1.06, 1.2]), np.array([30.0, 40.0, 90.0, 90.0])
    main, grace = take_match._without_flams(np.array(["snare"] * 4), time_s, level)
    assert (main["snare"].tolist(), grace) == ([2, 3], [0, 1])


def test_a_ghost_is_a_snare_stroke_below_45_percent_of_the_accent_s_velocity_or_13_db_under_it():
    kind = np.array(["snare"] * 10 + ["kick"])
    velocity = np.array([100.0] * 8 + [44.0, 46.0, 10.0])
    assert np.flatnonzero(take_match._ghosts(kind, velocity, "velocity")).tolist() == [8]
    level_db = np.array([-6.0] * 8 + [-19.5, -18.5, -40.0])
    assert np.flatnonzero(take_match._ghosts(kind, level_db, "dB")).tolist() == [8]
    assert not take_match._ghosts(kind[-1:], velocity[-1:], "velocity").any()


@pytest.mark.parametrize(
    ("time_s", "reason"), [(1.91, "extra"), (1.89, "outside"), (5.09, "extra"), (5.11, "outside"), (3.0, "extra")]
)
def test_a_hit_is_outside_beyond_one_space_before_the_first_place_or_after_the_last(time_s, reason):
    # The outer spaces are 100 ms, those inside wider.
    slots = dataclasses.replace(slots_at([2.0, 3.5, 5.0]), spacing_s=np.array([0.1, 1.5, 0.1]))
    assert take_match._stray(time_s, "tom", slots).reason == reason
    assert take_match._stray(time_s, "tom", slots_at([])).reason == "outside"


def test_alone_nothing_draws_the_player_back_and_for_eight_bars_after_it_little():
    pull = take_match._pull(make_track(100, 24, alone=((4, 6),)))
    by_bar = pull.reshape(24, 4)
    assert (by_bar == by_bar[:, :1]).all()
    assert by_bar[:, 0].tolist() == [1.0] * 4 + [0.0] * 3 + [0.4] * 8 + [1.0] * 9


def of_bars(rows):
    """Hits as (bar, place, kind), in the form in which they come from the matching."""
    rows = sorted(rows)
    n = len(rows)
    bar, place, kind = zip(*rows, strict=True)
    zero = np.zeros(n)
    return Played(zero, zero, zero, np.array(bar), zero, place, kind, np.ones(n), np.zeros(n, bool))


def hats(bars, places=("1", "1&", "2", "2&", "3", "3&", "4", "4&")):
    return [(bar, place, "hat") for bar in bars for place in places]


def fills_of(*rows):
    return pattern.fills_of(of_bars([row for part in rows for row in part]), 12).tolist()


def test_a_fill_has_four_strokes_of_which_35_percent_are_new_drums():
    # With eight hats, five new toms are 38 percent of what is struck, four 33.
    def toms(n, bar=5, kind="tom"):
        return [(bar, f"{k}e", kind) for k in range(n)]

    assert fills_of(hats(range(12)), toms(5)) == [5]
    assert fills_of(hats(range(12)), toms(4)) == []
    assert fills_of(hats(range(12)), [(bar, f"{k}a", "cymbal") for bar in range(12) for k in range(5)], toms(7)) == [5]
    assert fills_of(hats(range(12)), toms(5, kind="cymbal")) == []
    others = [bar for bar in range(12) if bar != 5]
    assert fills_of(hats(others), toms(4)) == [5]
    assert fills_of(hats(others), toms(3)) == []
    # The first bar has four others within four bars, too few to tell; the second five.
    assert fills_of(hats(range(12)), toms(5, bar=0)) == []
    assert fills_of(hats(range(12)), toms(5, bar=1)) == [1]


def test_what_is_struck_in_a_quarter_of_the_bars_around_is_nothing_new():
    def toms(*bars):
        return [(bar, f"{k}e", "tom") for bar in bars for k in range(6)]

    # Around bar 5 are bars 1 to 4 and 6 to 9.
    assert 5 in fills_of(hats(range(12)), toms(5, 9))
    assert 5 not in fills_of(hats(range(12)), toms(5, 8, 9))
    assert 5 in fills_of(hats(range(12)), toms(5, 0, 10))


@pytest.mark.parametrize(("also_without", "missed"), [((3, 7), True), ((3, 7, 8), False), ((0, 10, 11), True)])
def test_a_place_is_missed_when_three_of_four_bars_around_have_it(also_without, missed):
    track = make_track(100, 16)
    hits = played(steady(track, skip=[4 * bar + 1 for bar in (5, *also_without)]))
    found = match(track, hits, hits.time_s)
    assert ((5, "2", "snare") in [(m.bar, m.place, m.kind) for m in found.missed]) == missed


def test_in_sound_a_drum_may_be_hidden_by_another_at_its_place():
    track = make_track(100, 16)
    rows = steady(track, skip=(21,))
    heard = played(rows)
    heard = TakeHits(heard.time_s, heard.kind, heard.level, "dB", heard.time_s[-1] + 1, "audio")
    assert match(track, heard, heard.time_s).missed == ()
    beat_s = float(track.beats.time_s[21])
    without = [row for row in rows if abs(row[0] - beat_s) > 0.01]
    hits = played(without)
    hits = TakeHits(hits.time_s, hits.kind, hits.level, "dB", hits.time_s[-1] + 1, "audio")
    missed = match(track, hits, hits.time_s).missed
    assert {(m.bar, m.place, m.kind) for m in missed} == {(5, "2", "hat"), (5, "2", "snare")}


def test_a_played_hit_tells_its_place_in_bar_and_time():
    track = make_track(100, 16, pickup=1)
    rows = [(float(t), "kick", 90) for t in track.beats.time_s]
    rows[10] = (rows[10][0] + 0.0123, "snare", 55)
    found = match(track, played(rows), np.array([t for t, _, _ in rows])).played
    # After a pickup of one beat the eleventh beat is the 2 of the third full bar.
    assert (found.bar[10], found.place[10], found.position_beats[10]) == (3, "2", 1.0)
    assert found.nominal_s[10] == pytest.approx(track.beats.time_s[10])
    assert found.offset_ms[10] == pytest.approx(12.3, abs=1e-6)
    assert (found.kind[10], found.level[10]) == ("snare", 55)


def test_what_a_late_player_adds_to_the_grid_is_still_found():
    # Sixteenths on a track of eighths, 50 ms late throughout: a third of their space at 100 bpm.
    track = make_track(100, 16)
    rows = [(float(b) + k * 0.15 + 0.05, "hat", 70) for b in track.beats.time_s for k in range(4)]
    found = match(track, played(rows), np.array([t for t, _, _ in rows]))
    assert {section.slots_per_beat for section in found.used} == {4}
    np.testing.assert_allclose(found.played.offset_ms, 50, atol=1e-6)


def test_hits_alone_say_nothing_of_the_player_s_grid_up_to_the_edges_of_the_stretch(monkeypatch):
    track = make_track(100, 24, alone=((8, 15),))
    first_s, last_s = track.alone[0].start_s, track.alone[0].end_s
    end_s = track.bars.end_s
    time_s = np.array(
        [0.1, 1.01, first_s - 0.01, first_s + 0.01, last_s - 0.01, last_s + 0.01, end_s - 0.1, end_s + 2.0]
    )
    asked = []

    def as_asked(beats, bars, of_player, in_threes):
        asked.append(of_player)
        return track.grid

    monkeypatch.setattr(take_match, "grid_of_times", as_asked)
    guided = guided_beats(track)
    take_match._player_grid(track, time_s, guided)
    np.testing.assert_array_equal(asked[0], np.delete(time_s, [3, 4]))
    # Nothing but hits alone: better those than none.
    take_match._player_grid(track, time_s[3:5], guided)
    np.testing.assert_array_equal(asked[1], time_s[3:5])


def test_the_player_s_grid_is_taken_from_where_there_is_something_to_follow():
    track = make_track(100, 24, alone=((8, 15),))
    rows = []
    for b, beat_s in enumerate(track.beats.time_s):
        parts = 3 if 8 <= b // 4 <= 15 else 2
        rows += [(float(beat_s) + k * 0.6 / parts, "hat", 70) for k in range(parts)]
    found = match(track, played(rows), np.array([t for t, _, _ in rows]))
    assert {section.slots_per_beat for section in found.player_grid.sections} == {2}


def test_a_fill_in_sixteenths_has_places_where_the_groove_is_in_eighths():
    # 40 bars of eighths at 100 bpm, one of them struck in sixteenths: each stroke is on a place, at its own time.
    track = make_track(100.0, 40)
    eighths = [(1.0 + 2.4 * bar + 0.3 * k, "hat") for bar in range(40) if bar != 20 for k in range(8)]
    fill = [(1.0 + 2.4 * 20 + 0.15 * k, "tom" if k > 3 else "snare") for k in range(16)]
    rows = sorted(eighths + fill)
    time_s = np.array([row[0] for row in rows])
    hits = TakeHits(time_s, tuple(row[1] for row in rows), np.full(len(rows), 90.0), "velocity", 100.0, "midi")
    matched = match(track, hits, time_s)
    assert len(matched.played.time_s) == len(rows) and np.abs(matched.played.offset_ms).max() < 1.0
    assert [(run.first_bar, run.slots_per_beat) for run in matched.grid] == [(0, 2), (20, 4), (21, 2)]


def test_a_cymbal_with_a_time_of_its_own_beside_a_snare_has_no_level_and_one_alone_has():
    time_s = np.array([1.0, 1.004, 1.5])
    zero, bar = np.zeros(3), np.zeros(3, int)
    struck = Played(
        time_s,
        time_s,
        zero,
        bar,
        np.array([1.0, 1.0, 1.5]),
        ("2", "2", "2&"),
        ("snare", "cymbal", "cymbal"),
        np.array([-1.0, 0.0, -12.0]),
        np.zeros(3, bool),
    )
    by_sound = {(p.place, p.kind): p.level for p in places_of(struck, "dB")}
    assert by_sound == {("2", "snare"): -1.0, ("2", "cymbal"): None, ("2&", "cymbal"): -12.0}
    # Notes carry how hard each was struck.
    assert {p.level for p in places_of(struck, "velocity")} == {-1.0, 0.0, -12.0}
