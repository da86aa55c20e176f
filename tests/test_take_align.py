import numpy as np
import pytest

from eval.take import aligned_by_hits, judge, made_music
from eval.take_sim import Player, make_track, simulate_take
from eval.take_sound import RATE_HZ, add_leak, render
from pulsefind.audio import from_samples
from pulsefind.take_align import align
from pulsefind.take_hits import find_strokes
from pulsefind.take_leak import find_leak
from pulsefind.take_records import Alignment, StartCandidate, TakeHits


def leaking_take(seed, seconds=40, level_db=-20.0, clock_ppm=150.0, starts_at_s=2.5):
    rng = np.random.default_rng(seed)
    track = make_track(110, int(seconds * 110 / 240), seed=seed)
    music = made_music(track, rng)
    take = simulate_take(track, Player(), rng, starts_at_s=starts_at_s, clock_ppm=clock_ppm)
    sound = add_leak(render(take.hits, rng), music, starts_at_s, clock_ppm, level_db, rng)
    return track, from_samples(music, RATE_HZ), from_samples(sound, RATE_HZ), take


@pytest.mark.parametrize("level_db", [-10.0, -30.0])
def test_a_leak_tells_start_and_clock(level_db):
    _, music, sound, _ = leaking_take(1, seconds=70, level_db=level_db)
    leak = find_leak(music, sound)
    assert leak.starts_at_s == pytest.approx(2.5, abs=0.002)
    assert leak.clock_ppm == pytest.approx(150, abs=30)
    assert leak.rivals == ()


def test_a_take_that_starts_before_the_track_is_found():
    _, music, sound, _ = leaking_take(2, starts_at_s=-3.0)
    assert find_leak(music, sound).starts_at_s == pytest.approx(-3.0, abs=0.002)


def test_a_leak_in_opposite_phase_is_found():
    _, music, sound, _ = leaking_take(3)
    turned = from_samples(-sound.samples, RATE_HZ)
    assert find_leak(music, turned).starts_at_s == pytest.approx(2.5, abs=0.002)


def test_without_leak_none_is_claimed():
    rng = np.random.default_rng(4)
    track = make_track(110, 20)
    take = simulate_take(track, Player(), rng)
    drums = from_samples(render(take.hits, rng), RATE_HZ)
    assert find_leak(from_samples(made_music(track, rng), RATE_HZ), drums) is None
    assert find_leak(from_samples(np.zeros(RATE_HZ * 20), RATE_HZ), drums) is None
    assert find_leak(from_samples(made_music(track, rng), RATE_HZ), from_samples(np.zeros(100), RATE_HZ)) is None


def test_leak_and_given_start_tell_the_latency_apart_from_the_playing():
    track, music, sound, take = leaking_take(5)
    # The player says the recording began at 2.53 s; the leak says 2.5: 30 ms come from the chain.
    found = align(track, find_strokes(sound), music, sound, starts_at_s=2.53, latency_ms=None)
    assert found.method == "leak" and found.offset_known
    assert found.latency_ms == pytest.approx(30.0, abs=2.0)
    assert judge_start(found, take) < 5


def judge_start(found, take):
    middle = float(take.hits.time_s.mean())
    true_s = take.starts_at_s + middle / (1 + 1e-6 * take.clock_ppm)
    return 1000 * abs(float(found.to_track(np.array([middle]))[0]) - true_s)


def test_a_part_of_a_metronomic_song_is_shown_as_candidates():
    rng = np.random.default_rng(8)
    track = make_track(100, 64)
    take = simulate_take(track, Player(), rng, 10, 40, starts_at_s=20.0)
    found = align(track, take.hits, None, None, None, None)
    assert found.method == "hits" and not found.chosen
    assert len(found.candidates) > 3
    assert sum(c.probability for c in found.candidates) == pytest.approx(1.0, abs=0.2)
    beat_s = 0.6
    for candidate in found.candidates:
        shift = (candidate.starts_at_s - 20.0) / beat_s
        assert abs(shift - round(shift * 2) / 2) < 0.05


def test_starts_at_and_latency_are_honoured():
    rng = np.random.default_rng(9)
    track = make_track(100, 16)
    take = simulate_take(track, Player(), rng, latency_ms=40.0)
    found = align(track, take.hits, None, None, 0.0, 40.0)
    assert (found.method, found.chosen, found.offset_known) == ("given", True, True)
    assert found.starts_at_s == pytest.approx(-0.040)


@pytest.mark.parametrize(("played", "least"), [("bars", 7), ("cut", 5)])
def test_a_take_that_begins_on_a_one_is_placed_more_often_and_one_cut_anywhere_never_wrong(played, least):
    _, right, shown, shown_without, wrong, no_answer, _ = aligned_by_hits(8, 0.5, played)
    assert right >= least and right + shown == 8
    assert (shown_without, wrong, no_answer) == (0, 0, 0)


@pytest.mark.parametrize("other_bpm", [103.0, 87.0, 131.0])
def test_the_wrong_song_cannot_be_told(other_bpm):
    rng = np.random.default_rng(10)
    take = simulate_take(make_track(other_bpm, 48), Player(), rng)
    found = align(make_track(100, 48, wander_percent=0.3), take.hits, None, None, None, None)
    assert found.method == "none" and not found.chosen and found.candidates == ()
    assert "another song" in found.reason


def test_hits_at_random_fit_nowhere():
    rng = np.random.default_rng(11)
    time_s = np.sort(rng.uniform(0, 60, 300))
    hits = TakeHits(time_s, ("snare",) * 300, np.full(300, 90.0), "velocity", 60.0, "midi")
    found = align(make_track(100, 32), hits, None, None, None, None)
    assert found.method == "none"


def test_the_judge_of_the_measurement_can_fail():
    rng = np.random.default_rng(12)
    take = simulate_take(make_track(100, 16), Player(), rng)

    found = Alignment("hits", 0.6, 0.0, True, False, (StartCandidate(0.6, 0.0, 1, 1.0),), None, "")
    assert judge(found, take)[0] == "wrong"
