"""Recordings as songs to learn from: what is taken, and that what is written is what is taught."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from eval.train.ingredients import RATE_HZ
from eval.train.recordings import SHORTEST_S, SURE, is_sure, stretch_of, taught, written
from eval.train.rendering import STEMS
from eval.train.songs import LENGTH_S
from pulsefind.core.records import Pulse

_BEAT_S = 0.5


@pytest.fixture
def pulse() -> Pulse:
    n = 120
    return Pulse(_BEAT_S * np.arange(n), np.arange(n) % 4 + 1, np.full(n, 4), 4, 0.95, 0.99, 0.99)


def _clicks(seconds: float, rate_hz: int) -> NDArray[np.float32]:
    """A click on every beat."""
    samples = np.zeros(round(seconds * rate_hz), np.float32)
    samples[:: round(_BEAT_S * rate_hz)] = 0.8
    return samples


def test_only_what_is_sure_is_taught(pulse: Pulse) -> None:
    assert is_sure(pulse)
    assert not is_sure(replace(pulse, probability_one=SURE - 0.01))
    empty = np.zeros(0)
    assert not is_sure(Pulse(empty, empty.astype(int), empty.astype(int), 4, 1.0, 1.0, 1.0))


def test_short_and_silent_recordings_are_left_out(tmp_path: Path) -> None:
    for name, samples in (("short", _clicks(SHORTEST_S - 1, 8000)), ("silent", np.zeros(8000 * 60, np.float32))):
        soundfile.write(tmp_path / f"{name}.wav", samples, 8000)
        assert stretch_of(tmp_path / f"{name}.wav") is None
    soundfile.write(tmp_path / "long.wav", _clicks(200, 8000), 8000)
    found = stretch_of(tmp_path / "long.wav")
    assert found is not None
    assert len(found[0]) == 150 * 8000
    assert np.abs(found[0]).max() == pytest.approx(0.9)


def test_excerpts_come_back_with_their_beats_where_they_sound(tmp_path: Path, pulse: Pulse) -> None:
    """Oracle: the clicks themselves, at which every beat must lie."""
    beats = written(_clicks(60, 44_100), 44_100, pulse, tmp_path / "song")
    (tmp_path / "beats.json").write_text(json.dumps(beats))
    songs = list(taught(tmp_path))
    assert len(songs) == 1 + 2 * (60 - LENGTH_S > LENGTH_S / 2)
    for song in songs:
        assert song.stems.shape == (len(STEMS), round(LENGTH_S * RATE_HZ))
        assert not song.hits_known
        sound = np.abs(song.stems[STEMS.index("comp")].astype(float))
        for time_s, _ in song.beats[1:-1]:
            at = round(time_s * RATE_HZ)
            near = sound[max(0, at - 1000) : at + 1000]
            assert abs(int(near.argmax()) - min(at, 1000)) <= 0.005 * RATE_HZ


def test_an_excerpt_with_hardly_a_beat_teaches_nothing(tmp_path: Path) -> None:
    (tmp_path / "beats.json").write_text('{"a.ogg": [[0.5, 1], [1.0, 2]]}')
    assert list(taught(tmp_path)) == []
