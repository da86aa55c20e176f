"""A take of another song isn't taken for one of this song, though it is as long, or fits somewhere."""

from dataclasses import replace

import numpy as np
import pytest

from eval.take.aligning import made_music
from eval.take.kit_sound import RATE_HZ, render
from eval.take.simulation import Player, make_track, simulate_take
from pulsefind.listen.audio import from_samples
from pulsefind.take.alignment import align
from pulsefind.take.likelihood import Fit
from pulsefind.take.own_song import own_song
from pulsefind.take.strokes import find_strokes


def test_the_better_a_take_follows_the_likelier_it_is_of_this_song():
    clear, poor = Fit(0.0, 0.0, 0.0, 0.0, 2.0, 10.0), Fit(0.0, 0.0, 0.0, 0.0, -0.2, -10.0)
    assert own_song(clear, False) > 0.97 and own_song(poor, False) < 0.8
    # By hand: odds of 30 to 1, times exp(-1.95 + 1.39 * 2 + 0.08 * 10) = exp(1.63), and five times that.
    assert own_song(clear, False) == pytest.approx(30 * np.exp(1.63) / (1 + 30 * np.exp(1.63)))
    assert own_song(clear, True) == pytest.approx(150 * np.exp(1.63) / (1 + 150 * np.exp(1.63)))


def sound_of(bpm, seconds, seed):
    """A made track of this length, its music, and a take played to it that is as long."""
    rng = np.random.default_rng(seed)
    track = make_track(bpm, int(seconds * bpm / 240) + 1, seed=seed, lead_s=0.0)
    length = int(seconds * RATE_HZ)
    music = made_music(track, rng)[:length]
    drums = render(simulate_take(track, Player(), rng).hits, rng)
    drums = np.r_[drums, np.zeros(max(0, length - len(drums)))][:length]
    analysis = replace(track, track=replace(track.track, duration_s=seconds))
    return analysis, from_samples(music, RATE_HZ), from_samples(drums, RATE_HZ)


def test_of_takes_as_long_as_the_track_only_its_own_is_chosen():
    songs = [sound_of(bpm, 40.0, seed) for seed, bpm in enumerate((97.0, 112.0, 131.0))]
    chosen = [
        [align(analysis, find_strokes(take), music, take, None, None).chosen for _, _, take in songs]
        for analysis, music, _ in songs
    ]
    assert np.array_equal(chosen, np.eye(3, dtype=bool))
