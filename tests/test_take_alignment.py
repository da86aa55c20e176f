import numpy as np
import pytest

from eval.take.aligning import aligned_by_hits, judge, made_music
from eval.take.kit_sound import RATE_HZ, add_leak, render
from eval.take.simulation import Player, make_track, simulate_take
from pulsefind.listen.audio import from_samples
from pulsefind.take.alignment import align
from pulsefind.take.leak import find_leak
from pulsefind.take.records import Alignment, StartCandidate, TakeHits
from pulsefind.take.strokes import find_strokes


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


def played_exactly(track, bars, starts_at_s=0.0, clock_ppm=0.0, halves_only=False):
    """Hi-hat on every half beat, kick on odd and snare on even beats, exactly on their places."""
    edges = np.r_[track.beats.time_s, track.bars.end_s]
    bar_of_beat = track.bars.bar_of_beat
    rows = []
    for beat in np.flatnonzero(np.isin(bar_of_beat, list(bars))):
        if not halves_only:
            rows += [(edges[beat], "hat"), (edges[beat], "kick" if track.bars.count[beat] % 2 else "snare")]
        rows.append(((edges[beat] + edges[beat + 1]) / 2, "hat"))
    time_s = (np.array([row[0] for row in rows]) - starts_at_s) * (1 + 1e-6 * clock_ppm)
    kind = tuple(row[1] for row in rows)
    return TakeHits(time_s, kind, np.full(len(rows), 90.0), "velocity", float(time_s[-1]) + 1, "midi")


def by_start(found):
    return {round(c.starts_at_s, 2): c for c in found.candidates}


@pytest.mark.parametrize("pickup", [0, 1])
def test_a_start_on_the_first_1_is_six_times_and_an_end_in_the_last_bar_four_times_as_likely(pickup):
    # The odds stated in the text; in a song that is the same throughout nothing else tells the starts apart.
    track = make_track(100, 40, pickup=pickup)
    starts = by_start(align(track, played_exactly(track, range(10 + pickup, 20 + pickup)), None, None, None, None))
    assert starts[-24.0].probability / starts[0.0].probability == pytest.approx(6, rel=1e-6)
    assert starts[48.0].probability / starts[0.0].probability == pytest.approx(4, rel=1e-6)
    assert starts[-24.0].first_bar == pickup and starts[48.0].first_bar == 30 + pickup
    assert starts[0.0].probability == pytest.approx(starts[12.0].probability, rel=1e-6)


def test_what_the_form_says_is_what_the_correlation_of_busy_places_says():
    # Guides on every '&' but in bars 12, 13 and 17, where the player rests too; shifted by bars the rests don't meet.
    rests = {12, 13, 17}
    track = make_track(100, 40, breaks=tuple(rests))
    starts = by_start(align(track, played_exactly(track, set(range(5, 25)) - rests), None, None, None, None))

    def gain(shift):
        mine, heard = np.zeros(20 * 16), np.zeros(20 * 16)
        for bar in range(5, 25):
            for eighth in range(8):
                at = 16 * (bar - 5) + 2 * eighth
                # Kicks, on 1 and 3, are compared with low sounds, of which the track has none: hi-hats remain there.
                mine[at] = bar not in rests
                heard[at] = eighth % 2 == 1 and bar + shift not in rests
        # Eight hi-hats and two snares in each of 17 bars, which count as 0.18 of as many witnesses. Both rows end
        # where the player does, half a beat before the bar.
        correlation = np.corrcoef(mine[:-1], heard[:-1])[0, 1]
        return -0.5 * 0.18 * 17 * 10 * np.log(1 - correlation**2)

    assert gain(0) > gain(1) > 0
    for shift in (1, 2, 5):
        ratio = np.log(starts[0.0].probability / starts[2.4 * shift].probability)
        assert ratio == pytest.approx(gain(0) - gain(shift), abs=1e-3)


def test_a_take_that_follows_the_guide_note_for_note_is_laid_on_it():
    rests = {12, 13, 17}
    track = make_track(100, 40, breaks=tuple(rests))
    found = align(track, played_exactly(track, set(range(5, 25)) - rests, halves_only=True), None, None, None, None)
    assert found.starts_at_s == pytest.approx(0.0, abs=1e-6)
    assert 0.9 < found.candidates[0].probability <= 1.0


@pytest.mark.parametrize(("bars", "clock_ppm"), [(4, 100.0), (40, -150.0), (200, 100.0)])
def test_a_clock_is_believed_as_far_as_ridge_regression_says(bars, clock_ppm):
    # Hoerl and Kennard (1970): the slope of exact hits is drawn to zero by S / (S + L), S their times' sum of squares
    # and L the variance of a hit (18 ms; neighbours count as 0.18 of a witness) over that of a clock (120 ppm).
    track = make_track(100, 220)
    hits = played_exactly(track, range(bars), 0.5, clock_ppm)
    found = align(track, hits, None, None, 0.5, None)
    spread = float(np.sum((hits.time_s - hits.time_s.mean()) ** 2))
    share = spread / (spread + 0.018**2 / 0.18 / 120e-6**2)
    assert found.clock_ppm == pytest.approx(share * clock_ppm, abs=0.1)
    assert found.candidates[0].first_bar == 0


def test_the_first_bar_is_that_of_the_first_stroke():
    track = make_track(100, 20)
    found = align(track, played_exactly(track, range(6, 12), starts_at_s=3.0), None, None, 3.0, None)
    assert found.candidates[0].first_bar == 6
