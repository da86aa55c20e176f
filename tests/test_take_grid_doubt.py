"""Counts that are off, told from players who are."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from eval.take.simulation import Player, make_track, simulate_take
from pulsefind.core.records import Analysis
from pulsefind.take.review import review_take
from pulsefind.take.verdict import verdict

TAKE, SONG = Path("take 1.mid"), Path("song.flac")


def _moved(track: Analysis, beats: float) -> Analysis:
    """The same track with every beat counted so many beats later than it was played to."""
    step_s = beats * float(np.median(np.diff(track.beats.time_s)))
    bars = replace(track.bars, start_s=track.bars.start_s + step_s, end_s=track.bars.end_s + step_s)
    return replace(track, beats=replace(track.beats, time_s=track.beats.time_s + step_s), bars=bars)


def _doubt(moved_beats: float, player: Player | None = None):
    track = make_track(120.0, 24)
    take = simulate_take(track, player or Player(), np.random.default_rng(5))
    return track, review_take(_moved(track, moved_beats), take.hits, TAKE, SONG, starts_at_s=0.0)


@pytest.mark.parametrize(("moved", "size", "shift"), [(0.5, "half a beat", 0.5), (1.0, "a beat", 1.0)])
def test_counts_half_a_beat_or_a_beat_off_are_put_right_by_the_command(moved, size, shift):
    track, review = _doubt(moved)
    doubt = review.advice.grid_doubt
    assert doubt is not None and doubt.size == size and abs(doubt.shift_beats) == shift
    one_s = float(doubt.command.rsplit(" ", 1)[1])
    # The time that it names is a 1 of the track as it was played to, or its 3: the kick is on both alike.
    assert np.abs(track.beats.time_s[::2] - one_s).min() < 0.002
    assert "'take 1.mid' --one-at" in doubt.command
    assert verdict(review, details=True).splitlines()[2].startswith("Counts")


def test_beats_that_are_all_late_are_moved_and_the_player_is_not_blamed():
    _, review = _doubt(-0.09, Player(mean_ms=0.0))
    doubt = review.advice.grid_doubt
    assert doubt is not None and doubt.shift_beats == 0
    # 0.09 of a beat of 500 ms.
    assert doubt.shift_ms == pytest.approx(45.0, abs=4.0) and doubt.command.endswith(f"--nudge-ms {doubt.shift_ms:.0f}")


@pytest.mark.parametrize("mean_ms", [-20.0, 0.0, 20.0])
def test_a_player_who_plays_to_right_counts_raises_no_doubt(mean_ms):
    _, review = _doubt(0.0, Player(mean_ms=mean_ms))
    assert review.advice.grid_doubt is None
    assert "Counts" not in verdict(review, details=True)


def test_a_player_who_drifts_away_and_back_is_no_wrong_grid():
    track = make_track(120.0, 24)
    take = simulate_take(track, Player(), np.random.default_rng(5))
    swing_s = 0.05 * np.sin(np.pi * take.hits.time_s / take.hits.time_s[-1])
    hits = replace(take.hits, time_s=take.hits.time_s + swing_s)
    assert review_take(track, hits, TAKE, SONG, starts_at_s=0.0).advice.grid_doubt is None
