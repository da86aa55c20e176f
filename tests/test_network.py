"""The pulse network in NumPy: features, streaming, weights, and what it hears in made sounds."""

from __future__ import annotations

import numpy as np
import pytest
import soxr

from pulsefind.core.errors import FormatError
from pulsefind.core.records import Audio
from pulsefind.listen import network
from pulsefind.listen.audio import from_samples


def audio(samples, rate_hz=44100):
    return Audio(np.asarray(samples, np.float32), rate_hz, None, 1, rate_hz, "")


def slow_features(samples, window, rate_hz=22050, high_hz=10500.0):
    """Frame by frame, the Fourier sum written out, the triangles interpolated: an independent way to the same."""
    half = window // 2
    padded = np.r_[np.zeros(half), samples, np.zeros(half)]
    n = np.arange(window)
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * n / window)
    frequency = np.arange(window // 2 + 1) * rate_hz / window
    waves = np.exp(-2j * np.pi * np.outer(np.arange(window // 2 + 1), n) / window)
    centre = 30.0 * (high_hz / 30.0) ** (np.arange(81) / 80)
    step = rate_hz / window
    rows = []
    for k in range(1 + len(samples) // network.HOP):
        frame = padded[k * network.HOP : k * network.HOP + window] * hann
        magnitude = np.abs(waves @ frame) * 2 / hann.sum()
        bands = []
        for i, c in enumerate(centre):
            low = min(centre[i - 1] if i else c / 1.08, c - step)
            high = max(centre[i + 1] if i < 80 else c * 1.05, c + step)
            triangle = np.interp(frequency, [low, c, high], [0, 1, 0], left=0, right=0)
            bands.append(np.log10(1 + 1000 * (magnitude @ triangle) / np.sqrt(triangle.sum())))
        rows.append(bands)
    return np.array(rows)


def test_features_equal_a_slow_version_written_independently():
    samples = np.random.default_rng(0).normal(0, 0.1, 6000).astype(np.float32)
    fast = np.concatenate(list(network.features([samples], 1.0)))
    for k, window in enumerate(network.WINDOWS):
        np.testing.assert_allclose(fast[:, k], slow_features(samples.astype(float), window), atol=2e-4)


def test_features_of_a_take_reach_up_to_18_kilohertz():
    samples = np.random.default_rng(0).normal(0, 0.1, 6000).astype(np.float32)
    fast = np.concatenate(list(network.features([samples], 1.0, network.TAKE_EAR)))
    for k, window in enumerate(network.WINDOWS):
        slow = slow_features(samples.astype(float), window, 44100, 18000.0)
        np.testing.assert_allclose(fast[:, k], slow, atol=2e-4)


def test_number_of_frames_is_one_more_than_whole_hops():
    for length in (1, 440, 441, 4410, 5000):
        frames = np.concatenate(list(network.features([np.ones(length, np.float32)], 1.0)))
        assert frames.shape == (1 + length // 441, 2, 81)


@pytest.mark.parametrize("size", [300, 7001, 100_000])
def test_outputs_do_not_depend_on_the_size_of_the_blocks(size):
    samples = np.random.default_rng(1).normal(0, 0.1, 25 * network.RATE_HZ).astype(np.float32)
    weights = network.packaged_weights()
    whole = network.outputs(network.features([samples], 1.0), weights)
    parts = network.outputs(
        network.features([samples[a : a + size] for a in range(0, len(samples), size)], 1.0), weights
    )
    np.testing.assert_allclose(parts, whole, atol=1e-4)


def whole_signal_outputs(frames, weights):
    """The layers one after another over all frames at once, by sums over taps with explicit zero padding."""

    def elu(x):
        return np.where(x > 0, x, np.exp(np.minimum(x, 0)) - 1)

    w = {name: value.astype(float) for name, value in weights.arrays.items()}
    x = frames.transpose(1, 0, 2).astype(float)
    for k, pool in enumerate((True, True, False)):
        padded = np.pad(x, ((0, 0), (1, 1), (1, 1)))
        kernel = w[f"picture{k}.weight"]
        y = sum(
            np.einsum("oi,itf->otf", kernel[:, :, a, b], padded[:, a : a + x.shape[1], b : b + x.shape[2]])
            for a in range(3)
            for b in range(3)
        )
        x = elu(y + w[f"picture{k}.bias"][:, None, None])
        if pool:
            x = x.reshape(x.shape[0], x.shape[1], -1, 3).max(axis=3)
    x = elu(w["entry.weight"] @ x.transpose(0, 2, 1).reshape(-1, x.shape[1]) + w["entry.bias"][:, None])
    for k, d in enumerate(weights.dilations):
        padded = np.pad(x, ((0, 0), (2 * d, 2 * d)))
        y = sum(w[f"dilated{k}.weight"][:, :, j] @ padded[:, j * d : j * d + x.shape[1]] for j in range(5))
        x = x + w[f"mix{k}.weight"] @ elu(y + w[f"dilated{k}.bias"][:, None]) + w[f"mix{k}.bias"][:, None]
    return 1 / (1 + np.exp(-(w["exit.weight"] @ elu(x) + w["exit.bias"][:, None]))).T


def test_streamed_layers_equal_whole_layers():
    samples = np.random.default_rng(2).normal(0, 0.1, 8 * network.RATE_HZ).astype(np.float32)
    weights = network.packaged_weights()
    frames = np.concatenate(list(network.features([samples], 1.0)))
    streamed = network.outputs(network.features([samples], 1.0), weights)
    np.testing.assert_allclose(streamed, whole_signal_outputs(frames, weights), atol=1e-4)


def drum_pattern(bars, beat_s=0.5):
    """Kick on 1 and 3, snare on 2 and 4, hats on eighths, the 1 marked by a crash; 44.1 kHz."""
    rng = np.random.default_rng(3)
    t = np.arange(int(0.4 * 44100)) / 44100
    kick = np.sin(2 * np.pi * (50 * t + 3 * (1 - np.exp(-t / 0.02)))) * np.exp(-t / 0.12)
    snare = (rng.normal(size=len(t)) * 0.5 + np.sin(2 * np.pi * 190 * t)) * np.exp(-t / 0.06) * 0.6
    hat = np.diff(rng.normal(size=len(t) + 1)) * np.exp(-t / 0.02) * 0.15
    crash = np.diff(rng.normal(size=len(t) + 1)) * np.exp(-t / 0.3) * 0.3
    out = np.zeros(int(bars * 4 * beat_s * 44100) + len(t))

    def put(sound, beat):
        first = round(beat * beat_s * 44100)
        out[first : first + len(sound)] += sound

    for beat in range(bars * 4):
        put(kick if beat % 2 == 0 else snare, beat)
        put(hat, beat)
        put(hat, beat + 0.5)
        if beat % 8 == 0:
            put(crash, beat)
    return out * 0.5


def test_a_drum_pattern_peaks_at_its_beats_and_ones():
    values = network.pulse_activations(audio(drum_pattern(12)))
    beat = values.sum(axis=1)
    at_beats = np.arange(4, 44) * 50
    near = np.stack([beat[at_beats + k] for k in range(-3, 4)]).max(axis=0)
    between = np.stack([beat[at_beats + 25 + k] for k in range(-3, 4)]).max(axis=0)
    assert near.min() > 0.5 > between.max()
    ones = np.stack([values[at_beats + k, 1] for k in range(-3, 4)]).max(axis=0).reshape(-1, 4)
    assert (ones.argmax(axis=1) == 0).mean() > 0.9


def test_silence_holds_no_beats():
    assert network.pulse_activations(audio(np.zeros(10 * 44100))).max() < 0.3


def test_nothing_gives_no_frames():
    assert network.pulse_activations(audio(np.zeros(0))).shape == (0, 2)


def test_loudness_does_not_matter():
    pattern = drum_pattern(4)
    loud, soft = (network.pulse_activations(audio(pattern * gain)) for gain in (1.0, 0.05))
    np.testing.assert_allclose(loud, soft, atol=2e-3)


def test_100_frames_a_second_for_the_whole_length():
    values = network.pulse_activations(audio(drum_pattern(1)[: 44100 + 22050]))
    assert values.shape == (151, 2)
    assert values.min() >= 0 and values.sum(axis=1).max() <= 1 + 1e-9


def test_the_kit_network_tells_the_drums_of_a_pattern_apart():
    outputs = network.packaged_weights(network.KIT).outputs
    heard = network.network_outputs(audio(drum_pattern(8)), network.KIT)
    beats = np.arange(4, 28) * 25

    def near(kind, frame):
        column = heard[:, outputs.index(kind)]
        return np.stack([column[frame + k] for k in (-2, -1, 0, 1, 2)]).max(axis=0)

    # The pattern, as drum_pattern plays it: bass drum on 1 and 3, snare on 2 and 4, hats between.
    for kind, phase in (("kick", 0), ("snare", 1)):
        struck, rest = near(kind, beats[phase::2]), near(kind, beats[1 - phase :: 2])
        assert np.median(struck) > 0.5
        assert np.median(rest) < 0.2
    assert np.median(near("hat", beats + 12)) > 0.3
    assert near("kick", beats + 12).max() < 0.3 and near("tom", beats).max() < 0.5


@pytest.mark.parametrize("name", [network.PULSE, network.KIT])
def test_packaged_weights_are_small_and_complete(name):
    weights = network.packaged_weights(name)
    assert weights.outputs[:8] == ("beat", "downbeat", "kick", "snare", "hat", "cymbal", "tom", "percussion")
    assert all(np.isfinite(a).all() for a in weights.arrays.values())
    assert sum(a.size for a in weights.arrays.values()) * 2 < 4_000_000


def test_the_take_network_is_small_and_has_what_a_review_asks_for():
    weights = network.packaged_weights(network.TAKE)
    assert {"kick", "snare or tom", "hat or cymbal"} <= set(weights.outputs)
    assert all(np.isfinite(a).all() for a in weights.arrays.values())
    assert sum(a.size for a in weights.arrays.values()) * 2 < 2_500_000


def test_a_file_that_is_no_weights_is_told_in_one_line(tmp_path):
    path = tmp_path / "x.npz"
    path.write_bytes(b"no")
    with pytest.raises(FormatError, match="no weights of a pulse network"):
        network.read_weights(path)


def test_the_highest_band_of_noise_is_as_loud_at_half_the_rate():
    # White noise has a flat spectrum, the definition; what a filter takes of it is missing in that band alone.
    noise = np.random.default_rng(8).normal(0, 0.1, 20 * 44100).astype(np.float32)
    halves = soxr.resample(noise, 44100, 22050)
    whole, half = (
        np.concatenate(list(network.spectra_of(from_samples(samples, rate_hz))))[50:-50]
        for samples, rate_hz in ((noise, 44100), (halves, 22050))
    )
    magnitude = [(10**shown - 1).mean(axis=0)[0] for shown in (whole, half)]
    share = magnitude[1] / magnitude[0] / np.median(magnitude[1] / magnitude[0])
    np.testing.assert_allclose(share, 1.0, atol=0.03)
