"""Hits found in rendered sound, against the times they were rendered at."""

import numpy as np
import pytest
from making import RATE_HZ, drum, noise_burst, render

from eval.train.sounds import PluckedStrings
from pulsefind.core import mapped, nearest
from pulsefind.listen import features, measuring, recurring
from pulsefind.listen.audio import from_samples
from pulsefind.listen.features import (
    BANDS,
    HIGH_HZ,
    HOP,
    LOW_HZ,
    WINDOW,
    Spectrogram,
    mel_bank,
    mel_edges_hz,
    spectrogram,
)
from pulsefind.listen.hits import find_hits
from pulsefind.listen.measuring import _BLOCK_FRAMES, _half_rise, power_in
from pulsefind.listen.recurring import _otsu


def matched(truth, found, within_s):
    return sum(1 for t in truth if len(found) and np.abs(found - t).min() <= within_s)


@pytest.fixture(scope="module")
def two_sounds():
    """A tick at 8 kHz and a drum at 110 Hz that take turns at uneven times, under a steady chord."""
    rng = np.random.default_rng(5)
    times = np.cumsum(rng.uniform(0.21, 0.4, 80)) + 0.5
    tick, low = times[::2], times[1::2]
    chord = 0.03 * sum(np.sin(2 * np.pi * hz * np.arange(int(30 * RATE_HZ)) / RATE_HZ) for hz in (220, 277, 330))
    burst = noise_burst(rng, 6000, 11000, 0.06, 0.012)
    mix = render(30, (tick, burst, 0.3), (low, drum(110), 0.5))[: len(chord)] + chord
    return tick, low, find_hits(from_samples(mix, RATE_HZ))


def test_each_sound_is_found_as_one(two_sounds):
    tick, low, hits = two_sounds
    for truth, low_hz, high_hz in ((tick, 5000, 12000), (low, 40, 400)):
        best = max(
            (k for k, s in enumerate(hits.sounds) if low_hz < s.centre_hz < high_hz),
            key=lambda k: matched(truth, hits.time_s[hits.sound == k], 0.01),
        )
        found = hits.time_s[hits.sound == best]
        assert matched(truth, found, 0.01) >= 0.97 * len(truth)
        assert matched(found, truth, 0.01) >= 0.97 * len(found)


def test_times_are_finer_than_a_network_frame(two_sounds):
    tick, _, hits = two_sounds
    bright = hits.time_s[np.isin(hits.sound, [k for k, s in enumerate(hits.sounds) if s.centre_hz > 5000])]
    off = np.array([bright[np.argmin(np.abs(bright - t))] - t for t in tick])
    off = off[np.abs(off) < 0.02]
    assert len(off) > 35
    assert abs(np.median(off)) < 0.002
    assert np.percentile(np.abs(off), 90) < 0.003


def test_sounds_are_measured(two_sounds):
    _, _, hits = two_sounds
    bright = max(hits.sounds, key=lambda s: s.centre_hz)
    dark = min(hits.sounds, key=lambda s: s.centre_hz)
    assert bright.noisiness > dark.noisiness
    assert bright.decay_ms < dark.decay_ms


def test_gain_and_polarity_change_nothing(two_sounds):
    rng = np.random.default_rng(6)
    mix = render(10, (np.arange(1, 9, 0.37), noise_burst(rng, 3000, 9000, 0.1, 0.03), 0.5))
    loud = find_hits(from_samples(mix, RATE_HZ))
    quiet = find_hits(from_samples(-0.01 * mix, RATE_HZ))
    assert len(loud.time_s) == len(quiet.time_s)
    assert np.allclose(loud.time_s, quiet.time_s, atol=1e-4)


@pytest.mark.parametrize("samples", [np.zeros(0), np.zeros(100), np.zeros(RATE_HZ), np.ones(RATE_HZ) * 0.1])
def test_nothing_to_find(samples):
    assert len(find_hits(from_samples(samples, RATE_HZ)).time_s) == 0


def test_the_spectrogram_equals_a_plain_transform():
    rng = np.random.default_rng(7)
    samples = rng.normal(size=RATE_HZ // 4).astype(np.float32)
    spectrum = spectrogram(samples, RATE_HZ)
    import librosa

    bank = librosa.filters.mel(
        sr=RATE_HZ, n_fft=WINDOW, n_mels=spectrum.magnitude.shape[1], fmin=30, fmax=16000, norm=None
    )
    k = 20
    window = np.hanning(WINDOW + 1)[:-1]
    frame = samples[k * HOP - WINDOW // 2 : k * HOP + WINDOW // 2] * window
    plain = bank @ np.abs(np.fft.fft(frame))[: WINDOW // 2 + 1] / (window.sum() / 2)
    assert np.allclose(spectrum.magnitude[k], plain, rtol=1e-3, atol=1e-6)


@pytest.mark.parametrize("rate_hz", [32000, 44100, 48000])
def test_the_mel_bank_is_that_of_librosa(rate_hz):
    import librosa

    edges = librosa.mel_frequencies(BANDS + 2, fmin=LOW_HZ, fmax=HIGH_HZ)
    bank = librosa.filters.mel(sr=rate_hz, n_fft=WINDOW, n_mels=BANDS, fmin=LOW_HZ, fmax=HIGH_HZ, norm=None)
    assert np.abs(mel_edges_hz() - edges).max() < 1e-6
    assert np.abs(mel_bank(mel_edges_hz(), rate_hz) - bank.T).max() < 1e-6


def test_vibrato_is_no_attack():
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    tone = 0.3 * np.sin(2 * np.pi * 660 * t + 8 * np.sin(2 * np.pi * 5.5 * t)) * np.minimum(1, t / 0.5)
    struck = render(3, ([1.0, 2.0], drum(660), 0.3))
    steady = spectrogram(tone.astype(np.float32), RATE_HZ).compressed().rises_between(150, 570).mean(axis=1).max()
    attack = spectrogram(struck.astype(np.float32), RATE_HZ).compressed().rises_between(150, 570).mean(axis=1).max()
    assert steady < 0.25 * attack


def plain_rises(magnitude):
    """Over all frames at once, by the definitions: a floor at 3 thousandths of the loud frames, rises over two frames
    against the loudest of three neighbouring bands (the outermost have one neighbour).
    """
    level = np.log1p(magnitude / (0.003 * np.percentile(magnitude.max(axis=1), 95)))
    wide = np.pad(level, ((0, 0), (1, 1)), mode="edge")
    before = np.maximum.reduce([wide[:-2, :-2], wide[:-2, 1:-1], wide[:-2, 2:]])
    return level, np.r_[np.zeros((2, level.shape[1])), np.maximum(level[2:] - before, 0)]


def test_levels_and_rises_of_any_part_are_those_of_the_whole(monkeypatch):
    magnitude = np.random.default_rng(10).gamma(0.3, size=(100, BANDS)).astype(np.float32)
    level, rise = plain_rises(magnitude.astype(np.float64))
    found = Spectrogram(magnitude, np.arange(BANDS) * 1.0, 200.0).compressed()
    for first, last in ((0, 100), (0, 1), (1, 3), (40, 75), (99, 100)):
        assert found.between(first, last) == pytest.approx(level[first:last], rel=1e-5, abs=1e-6)
        assert found.rises_between(first, last) == pytest.approx(rise[first:last], rel=1e-4, abs=1e-5)
    monkeypatch.setattr(features, "PIECE_FRAMES", 7)
    low, odd = found.mean_rises([slice(0, 5), np.arange(BANDS) % 2 == 1])
    assert low == pytest.approx(rise[:, :5].mean(axis=1), rel=1e-4, abs=1e-5)
    assert odd == pytest.approx(rise[:, 1::2].mean(axis=1), rel=1e-4, abs=1e-5)


@pytest.mark.parametrize("length", [37, 1000])
def test_a_recording_in_pieces_and_on_disk_gives_the_same_hits(monkeypatch, length):
    rng = np.random.default_rng(11)
    mix = render(
        12, (np.arange(1, 11, 0.37), noise_burst(rng, 3000, 9000, 0.1, 0.03), 0.5), ([2, 4, 6, 8], drum(90), 0.6)
    )
    audio = from_samples(mix + rng.normal(0, 0.01, len(mix)), RATE_HZ)
    whole = find_hits(audio)
    monkeypatch.setattr(features, "PIECE_FRAMES", length)
    monkeypatch.setattr(recurring, "PIECE_FRAMES", length)
    monkeypatch.setattr(mapped, "IN_MEMORY_BYTES", 2**18)
    pieces = find_hits(audio)
    assert len(whole.time_s) > 40 and pieces.sounds == whole.sounds
    for field in ("time_s", "sound", "strength", "level_db", "timbre"):
        np.testing.assert_array_equal(getattr(pieces, field), getattr(whole, field))


def test_half_rise_of_a_ramp():
    envelope = np.r_[np.zeros(28), np.linspace(0, 1, 5), np.ones(28)]
    flat = np.ones(61)
    at, whole = _half_rise(np.stack([envelope, flat]), 30)
    # Where nothing rises there is no half of it: the first step that is looked at.
    assert at == pytest.approx([30.0, 15.0], abs=1e-9)
    assert whole[0]
    rising_from_the_start = np.r_[np.linspace(0, 1, 20), np.ones(20)]
    assert not _half_rise(rising_from_the_start[None], 15)[1]
    assert all(part.shape == (0,) for part in _half_rise(np.zeros((0, 61)), 30))


def test_half_rises_are_those_found_step_by_step():
    rng = np.random.default_rng(4)
    walks = np.cumsum(rng.normal(size=(300, 61)), axis=1)
    for row, at in zip(walks, _half_rise(walks, 30)[0], strict=True):
        steepest = max(range(15, 42), key=lambda k: row[k + 1] - row[k])
        top = steepest + 1
        while top < 60 and row[top + 1] > row[top]:
            top += 1
        foot = steepest
        while foot > 0 and row[foot - 1] < row[foot]:
            foot -= 1
        assert np.interp((row[foot] + row[top]) / 2, row[foot : top + 1], np.arange(foot, top + 1)) == pytest.approx(at)


def test_looking_near_first_changes_no_time(monkeypatch):
    rng = np.random.default_rng(12)
    times = 0.5 + 0.3 * np.arange(30)
    mix = render(10, (times[::2], noise_burst(rng, 3000, 9000, 0.1, 0.03), 0.4), (times[1::2], drum(90), 0.5))
    audio = from_samples(mix, RATE_HZ)
    near = find_hits(audio)
    monkeypatch.setattr(measuring, "_NEAR_REACH_MS", (measuring._FINE_REACH_MS, measuring._FINE_REACH_MS))
    far = find_hits(audio)
    np.testing.assert_array_equal(near.sound, far.sound)
    # A millionth of a second: sums of other lengths are rounded otherwise.
    np.testing.assert_allclose(near.time_s, far.time_s, atol=1e-6)


def test_otsu_equals_a_plain_search():
    rng = np.random.default_rng(8)
    values = np.sort(np.r_[rng.normal(0, 1, 30), rng.normal(6, 1, 20)])

    def between(k):
        low, high = values[:k], values[k:]
        return len(low) * len(high) * (low.mean() - high.mean()) ** 2

    best = max(range(1, 50), key=between)
    assert _otsu(values) == pytest.approx((values[best - 1] + values[best]) / 2)


def test_the_power_of_a_band_equals_the_sum_over_the_whole():
    rng = np.random.default_rng(9)
    magnitude = rng.random((2 * _BLOCK_FRAMES + 3, 5)).astype(np.float32)
    weight = rng.random(5)
    plain = np.einsum("fb,b->f", magnitude.astype(np.float64) ** 2, weight)
    assert power_in(Spectrogram(magnitude, np.arange(5.0), 200.0), weight) == pytest.approx(plain, rel=1e-6)


def test_a_plucked_bass_is_heard_as_notes_that_beats_are_not_placed_on():
    # Strings after Karplus and Strong (eval.train.sounds), a low E on beats and eighths of 100 bpm, with 4 ms of noise.
    rng = np.random.default_rng(4)
    start_s = 0.5 + 0.6 * np.arange(64) / 2
    string, mix = PluckedStrings(rng), 1e-4 * rng.standard_normal(21 * 22050).astype(np.float32)
    for k, first in enumerate((start_s * 22050).astype(int)):
        tone = string.tone((28, 28, 35, 31)[k // 16])[:6000] * np.linspace(1, 0, 6000, dtype=np.float32)
        mix[first : first + 6000] += tone
    hits = find_hits(from_samples((0.3 * mix).astype(np.float32), 22050))
    (bass,) = [k for k, sound in enumerate(hits.sounds) if sound.instrument == "bass"]
    heard_s = hits.time_s[(hits.sound == bass) & (hits.log_odds >= 0)]
    assert np.mean(nearest.distance(heard_s, start_s) < 0.03) > 0.9
    assert np.mean(nearest.distance(start_s, heard_s) < 0.03) > 0.9
    certain = hits.certain()
    assert not np.isin(certain.sound, [k for k, sound in enumerate(hits.sounds) if sound.instrument]).any()
    assert set(hits.sound) - set(certain.sound) >= {bass}
