"""Odds of a start before anything is heard, and what of a track is heard where."""

import numpy as np
import pytest

from eval.take.kit_sound import RATE_HZ, render
from eval.take.simulation import Player, make_track, simulate_take
from pulsefind.listen.audio import from_samples
from pulsefind.take.alignment import align
from pulsefind.take.heard import RATE_HZ as FRAMES_HZ
from pulsefind.take.heard import hear
from pulsefind.take.origins import RESOLUTION_S, exact_starts, log_prior
from pulsefind.take.strokes import find_strokes


@pytest.mark.parametrize("take_s", [30.0, 30.04, 22.5, 47.0])
def test_all_starts_together_have_probability_one(take_s: float) -> None:
    track_s = 30.0
    # Every start that lets take and track overlap, in steps of the resolution, and the exact ones beside them.
    steps = np.arange(-take_s, track_s, RESOLUTION_S)
    total = sum(np.exp(log_prior(float(s), False, take_s, track_s)) for s in steps)
    total += sum(np.exp(log_prior(s, True, take_s, track_s)) for s in exact_starts(take_s, track_s))
    assert total == pytest.approx(1.0, abs=0.1)


def test_a_longer_take_begins_before_the_song_and_a_shorter_one_within_it() -> None:
    assert log_prior(-1.0, False, 32.0, 30.0) > log_prior(1.0, False, 32.0, 30.0) + 1
    assert log_prior(1.0, False, 28.0, 30.0) > log_prior(-1.0, False, 28.0, 30.0) + 1
    assert exact_starts(32.0, 30.0) == (0.0, -2.0)
    assert exact_starts(30.04, 30.0) == (0.0,)


def test_onsets_are_heard_when_they_sound_low_and_high_apart() -> None:
    at_s = np.array([0.5, 1.25, 2.0, 3.1])
    n = int(4.0 * RATE_HZ)
    samples = 1e-6 * np.random.default_rng(0).normal(size=n)
    t = np.arange(int(0.2 * RATE_HZ)) / RATE_HZ
    for k, start_s in enumerate(at_s):
        first = int(start_s * RATE_HZ)
        hz = 80.0 if k % 2 else 3000.0
        samples[first : first + len(t)] += np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.05)
    heard = hear(from_samples(samples, RATE_HZ))
    for k, start_s in enumerate(at_s):
        frame = int(start_s * FRAMES_HZ)
        near, far = slice(frame - 3, frame + 5), slice(frame + 24, frame + 36)
        density = heard.low if k % 2 else heard.high
        assert density[near].max() > 3 * density[far].max()
    assert heard.first_s == pytest.approx(0.5, abs=0.03) and heard.last_s == pytest.approx(3.1, abs=0.03)


def test_silence_is_heard_as_nothing() -> None:
    heard = hear(from_samples(np.zeros(RATE_HZ), RATE_HZ))
    assert not len(heard.low) or not heard.low.any()
    assert len(hear(from_samples(np.zeros(0), RATE_HZ)).low) == 0


def test_pieces_of_a_long_track_fit_without_a_seam() -> None:
    # The frames of a piece are those of the same sound read at once: what stands 25 s in is heard as at the start.
    rng = np.random.default_rng(1)
    bar = 0.1 * rng.normal(size=RATE_HZ // 2) * np.exp(-np.arange(RATE_HZ // 2) / 4000)
    heard = hear(from_samples(np.tile(bar, 60), RATE_HZ))
    period = int(0.5 * FRAMES_HZ)
    rows = heard.high[period * 10 : period * 50].reshape(-1, period)
    assert np.abs(rows - rows[0]).max() < 0.05 * rows.max()


def test_a_take_as_long_as_its_track_starts_with_it_though_its_bars_all_look_alike() -> None:
    track = make_track(120.0, 16, lead_s=0.0)
    length_s = track.track.duration_s
    rng = np.random.default_rng(3)
    take = simulate_take(track, Player(), rng, 4, 11)
    drums = render(take.hits, rng)[: int(length_s * RATE_HZ)]
    drums = np.r_[drums, np.zeros(max(0, int(length_s * RATE_HZ) - len(drums)))]
    music = np.zeros(len(drums))
    # Even chords on every beat: the sound leaves every bar open.
    t = np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    for beat_s in track.beats.time_s:
        first = int(beat_s * RATE_HZ)
        part = music[first : first + len(t)]
        part += (0.2 * np.sin(2 * np.pi * 220 * t) * np.exp(-t / 0.1))[: len(part)]
    sound, song = from_samples(drums, RATE_HZ), from_samples(music, RATE_HZ)
    found = align(track, find_strokes(sound), song, sound, None, None)
    assert found.chosen and found.offset_known and found.starts_at_s == 0.0 and found.clock_ppm == 0.0
    # The same take with its end cut off: nothing but the sound is left, and that doesn't choose.
    short = from_samples(drums[int(4.3 * RATE_HZ) : -int(5.7 * RATE_HZ)], RATE_HZ)
    left = align(track, find_strokes(short), song, short, None, None)
    assert not left.chosen or abs(left.starts_at_s - 4.3) < 0.02
