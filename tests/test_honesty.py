"""What must not change the answer doesn't: gain, polarity, rate, channels, silence before, container, threads.

Metamorphic relations (Chen, Cheung and Yiu 1998): each run's oracle is another run on sound that says the same. The
song is a part of the made one; own network, as it needs no helper processes.
"""

import json
import os
import shutil
import subprocess
import sys

import numpy as np
import pytest
import soundfile
import soxr
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pulsefind.analysis import analyse
from pulsefind.core.records import Settings
from pulsefind.demo import RATE_HZ
from pulsefind.listen.audio import from_samples, load
from pulsefind.saved import to_json

OWN = Settings(network="own", use_cache=False)
FEW = settings(
    max_examples=3, phases=[Phase.generate], deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)

EXACT_S, RESAMPLED_S = 0.001, 0.004
"""Same samples, other scale: within a millisecond. Other samples of the same sound: within 4 ms."""


@pytest.fixture(scope="module")
def song(demo_song):
    return demo_song[0][10 * RATE_HZ : 28 * RATE_HZ]


@pytest.fixture(scope="module")
def plain(song):
    return analyse(from_samples(song, RATE_HZ), OWN)


def same(analysis, plain, tolerance_s, later_s=0.0):
    assert len(analysis.beats.time_s) == len(plain.beats.time_s)
    np.testing.assert_allclose(analysis.beats.time_s - later_s, plain.beats.time_s, atol=tolerance_s)
    assert analysis.bars.count.tolist() == plain.bars.count.tolist()
    assert analysis.bars.beats_per_bar.tolist() == plain.bars.beats_per_bar.tolist()


@FEW
@given(st.floats(-40.0, 20.0))
def test_gain(song, plain, gain_db):
    same(analyse(from_samples(song * 10 ** (gain_db / 20), RATE_HZ), OWN), plain, EXACT_S)


def test_polarity(song, plain):
    same(analyse(from_samples(-song, RATE_HZ), OWN), plain, EXACT_S)


def test_channel_order_and_number(song, plain):
    assert to_json(analyse(from_samples(song[:, ::-1], RATE_HZ), OWN)) == to_json(plain)
    twice = np.concatenate([song, song], axis=1)
    same(analyse(from_samples(twice, RATE_HZ), OWN), plain, EXACT_S)
    same(analyse(from_samples(song.mean(axis=1), RATE_HZ), OWN), plain, EXACT_S)


@FEW
@given(st.sampled_from([22050 * 4, 32000, 48000, 96000]))
def test_sample_rate(song, plain, rate_hz):
    same(analyse(from_samples(soxr.resample(song, RATE_HZ, rate_hz), rate_hz), OWN), plain, RESAMPLED_S)


def after_silence(song, n):
    return analyse(from_samples(np.concatenate([np.zeros((n, 2), np.float32), song]), RATE_HZ), OWN)


@FEW
@given(st.integers(RATE_HZ, 4 * RATE_HZ))
def test_more_silence_before_moves_every_time_by_exactly_its_length(song, second_later, n):
    same(after_silence(song, n), second_later, 2e-6, n / RATE_HZ - 1.0)


@pytest.fixture(scope="module")
def second_later(song):
    return after_silence(song, RATE_HZ)


def test_silence_before_a_sound_that_had_none_moves_its_beats(plain, second_later):
    # Up to LEAD_S before the first sound a beat may be found that no sound lies on; the others stay with the music.
    moved = second_later.beats.time_s - 1.0
    moved = moved[moved >= plain.beats.time_s[0] - 0.1]
    assert second_later.beats.time_s[0] > 0.5
    np.testing.assert_allclose(moved, plain.beats.time_s, atol=RESAMPLED_S)


MANY = settings(FEW, max_examples=40)
PEAK = st.floats(1e-4, 1.0)


def noise(seed, channels, peak):
    sound = np.random.default_rng(seed).uniform(-1.0, 1.0, (700, channels))
    return (peak * sound).astype(np.float32)


@MANY
@given(
    st.sampled_from(["FLAC", "AIFF", "W64", "CAF", "AU", "RF64", "SVX", "VOC", "MAT5"]),
    st.integers(1, 3),
    st.integers(0, 99),
    PEAK,
)
def test_lossless_containers_give_the_same_bytes(tmp_path, container, channels, seed, peak):
    channels = 1 if container in ("SVX", "VOC") else channels
    soundfile.write(tmp_path / "a.wav", noise(seed, channels, peak), RATE_HZ, "PCM_16")
    samples, _ = soundfile.read(tmp_path / "a.wav", dtype="int16")
    soundfile.write(tmp_path / "other", samples, RATE_HZ, "PCM_16", format=container)
    assert load(tmp_path / "other").sha256 == load(tmp_path / "a.wav").sha256


@MANY
@given(st.permutations(range(4)), st.sampled_from([8000, 22050, 44100, 48000]), st.integers(0, 99), PEAK)
def test_no_order_of_channels_and_no_polarity_changes_the_mix(order, rate_hz, seed, peak):
    frames = noise(seed, 4, peak)
    mixed = from_samples(frames, rate_hz).samples
    # A sum of four floats is rounded three times, by 2**-24 of it at most (Higham 2002, chapter 4, from memory), in
    # either order; the resampler's taps add up to 2.6 (measured on an impulse).
    np.testing.assert_allclose(from_samples(frames[:, order], rate_hz).samples, mixed, atol=2 * 3 * 2**-24 * 2.6 * peak)
    np.testing.assert_array_equal(from_samples(-frames, rate_hz).samples, -mixed)


@FEW
@given(
    st.floats(-40.0, 10.0),
    st.booleans(),
    st.permutations(range(2)),
    st.sampled_from([44100, 48000]),
    st.integers(RATE_HZ, 4 * RATE_HZ),
    st.sampled_from(["WAV", "FLAC", "CAF"]),
)
def test_all_of_it_at_once(song, second_later, tmp_path, gain_db, turned, order, rate_hz, n, container):
    frames = np.concatenate([np.zeros((n, 2)), song[:, order] * 10 ** (gain_db / 20) * (-1 if turned else 1)])
    frames /= max(1.0, np.abs(frames).max())
    soundfile.write(tmp_path / "a", soxr.resample(frames, RATE_HZ, rate_hz), rate_hz, "PCM_24", format=container)
    same(analyse(tmp_path / "a", OWN), second_later, RESAMPLED_S, n / RATE_HZ - 1.0)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
@pytest.mark.parametrize("name", ["a.m4a", "a.ogg", "a.mp3"])
def test_lossy_containers(song, plain, tmp_path, name):
    # The encoders' own delay stays within this: libsndfile and ffmpeg take off what the file says was added.
    soundfile.write(tmp_path / "a.wav", song, RATE_HZ, "PCM_16")
    coder = {"a.m4a": "aac", "a.ogg": "libvorbis", "a.mp3": "libmp3lame"}[name]
    command = ["ffmpeg", "-v", "error", "-i", "a.wav", "-c:a", coder, "-b:a", "192k", name]
    subprocess.run(command, cwd=tmp_path, check=True)
    same(analyse(tmp_path / name, OWN), plain, 0.01)


def test_same_input_same_bytes_on_repeated_runs_and_with_one_or_two_threads(song, tmp_path):
    soundfile.write(tmp_path / "a.wav", song, RATE_HZ, "PCM_16")
    answers = []
    for threads in ("1", "2", "1"):
        told = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), threads)
        command = [sys.executable, "-m", "pulsefind", "find", str(tmp_path / "a.wav"), "--json"]
        run = subprocess.run(command, capture_output=True, check=True, env={**os.environ, **told})
        answers.append(run.stdout)
    assert answers[0] == answers[2]
    assert answers[0] == answers[1]
    assert json.loads(answers[0])["beats"]["time_s"]
