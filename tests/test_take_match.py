import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from eval.take_sim import make_track
from pulsefind.take_corrections import fit_ramp
from pulsefind.take_match import WINDOW_MS, assign, match
from pulsefind.take_records import TakeHits


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
