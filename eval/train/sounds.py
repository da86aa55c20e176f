"""Sounds made by our own code: drums, plucked strings, tones, a voice, amplifiers.

All work at 22.05 kHz on float32. Physical models follow Karplus and Strong, "Digital synthesis of plucked-string
and drum timbres" (Computer Music Journal 1983), and the source-filter model of the voice with formants of
Peterson and Barney (1952).
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.signal import butter, istft, lfilter, sosfilt, stft

from eval.train.ingredients import RATE_HZ

FloatArray = NDArray[np.float32]

_NYQUIST_HZ = RATE_HZ / 2


def hertz(pitch: float) -> float:
    """Frequency of a MIDI pitch."""
    return float(440.0 * 2 ** ((pitch - 69) / 12))


def _time(length_s: float) -> NDArray[np.float64]:
    return np.arange(int(length_s * RATE_HZ)) / RATE_HZ


def _band(noise: NDArray[np.float64], low_hz: float, high_hz: float) -> NDArray[np.float64]:
    high = min(high_hz, 0.98 * _NYQUIST_HZ)
    sos = butter(2, [low_hz / _NYQUIST_HZ, high / _NYQUIST_HZ], "bandpass", output="sos")
    return np.asarray(sosfilt(sos, noise))


def kick(rng: Generator) -> FloatArray:
    """A bass drum: a sine whose pitch falls, and a click."""
    t = _time(rng.uniform(0.15, 0.6))
    low, high = rng.uniform(38, 70), rng.uniform(90, 400)
    sweep = low + (high - low) * np.exp(-t / rng.uniform(0.008, 0.04))
    body = np.sin(2 * np.pi * np.cumsum(sweep) / RATE_HZ) * np.exp(-t / rng.uniform(0.05, 0.25))
    click = rng.normal(size=len(t)) * np.exp(-t / rng.uniform(0.001, 0.006)) * rng.uniform(0.05, 0.6)
    return _shaped(body + click, rng)


def snare(rng: Generator) -> FloatArray:
    """A snare drum: two modes of the head and the wires' noise."""
    t = _time(rng.uniform(0.15, 0.4))
    tone = rng.uniform(140, 260)
    head = np.sin(2 * np.pi * tone * t) + 0.6 * np.sin(2 * np.pi * 1.6 * tone * t)
    head *= np.exp(-t / rng.uniform(0.02, 0.08)) * rng.uniform(0.2, 1.0)
    wires = _band(rng.normal(size=len(t)), rng.uniform(300, 2000), rng.uniform(5000, 10500))
    wires *= np.exp(-t / rng.uniform(0.03, 0.14)) * rng.uniform(0.5, 1.5)
    return _shaped(head + wires, rng)


def cymbal(rng: Generator, decay_s: float, low_hz: float) -> FloatArray:
    """A hat, ride or crash: many inharmonic partials and noise above low_hz."""
    t = _time(min(2.5, 5 * decay_s))
    partials = rng.uniform(low_hz, 10500, 24)
    phase = rng.uniform(0, 2 * np.pi, 24)
    ring = np.sin(2 * np.pi * partials[:, None] * t + phase[:, None]).sum(axis=0) / 5
    noise = _band(rng.normal(size=len(t)), low_hz, 10700)
    mixed = (rng.uniform(0.1, 1) * ring + rng.uniform(0.4, 1) * noise) * np.exp(-t / decay_s)
    return _shaped(mixed, rng)


def tom(rng: Generator, base_hz: float) -> FloatArray:
    """A tom or hand drum: a falling sine with a slap of noise."""
    t = _time(rng.uniform(0.2, 0.6))
    sweep = base_hz * (1 + rng.uniform(0.1, 0.6) * np.exp(-t / 0.03))
    body = np.sin(2 * np.pi * np.cumsum(sweep) / RATE_HZ) * np.exp(-t / rng.uniform(0.06, 0.25))
    slap = _band(rng.normal(size=len(t)), 400, 6000) * np.exp(-t / 0.012) * rng.uniform(0.1, 0.7)
    return _shaped(body + slap, rng)


def block(rng: Generator) -> FloatArray:
    """A clave, wood block, rim or cowbell: few short partials."""
    t = _time(0.25)
    base = rng.uniform(400, 2600)
    ring = sum(np.sin(2 * np.pi * base * r * t) * a for r, a in ((1, 1), (rng.uniform(1.3, 2.8), 0.6)))
    return _shaped(ring * np.exp(-t / rng.uniform(0.012, 0.07)), rng)


def shaker(rng: Generator) -> FloatArray:
    """A shaker, tambourine or brush: noise with a soft attack."""
    t = _time(rng.uniform(0.06, 0.2))
    noise = _band(rng.normal(size=len(t)), rng.uniform(2000, 5000), 10500)
    attack = rng.uniform(0.002, 0.025)
    return _shaped(noise * (1 - np.exp(-t / attack)) * np.exp(-t / rng.uniform(0.02, 0.06)), rng)


def clap(rng: Generator) -> FloatArray:
    """Hands: a few bursts of noise close together."""
    t = _time(0.2)
    noise = _band(rng.normal(size=len(t)), 700, rng.uniform(3000, 8000))
    starts = np.r_[0, np.sort(rng.uniform(0.004, 0.03, 3))]
    shape = sum(np.where(t >= s, np.exp(-(t - s) / 0.006), 0) for s in starts)
    tail = np.where(t >= starts[-1], np.exp(-(t - starts[-1]) / rng.uniform(0.02, 0.08)), 0)
    return _shaped(noise * (shape + tail), rng)


def _shaped(samples: NDArray[np.float64], rng: Generator) -> FloatArray:
    """Peak at 1, sometimes saturated, faded out."""
    driven = np.tanh(samples / np.abs(samples).max() * rng.uniform(0.5, 3)) if rng.random() < 0.4 else samples
    driven = driven / (np.abs(driven).max() + 1e-9)
    fade = min(200, len(driven))
    driven[-fade:] *= np.linspace(1, 0, fade)
    return np.asarray(driven.astype(np.float32))


DRUM_MAKERS = {
    "kick": kick,
    "snare": snare,
    "closed": lambda rng: cymbal(rng, rng.uniform(0.015, 0.06), rng.uniform(3000, 7000)),
    "open": lambda rng: cymbal(rng, rng.uniform(0.12, 0.4), rng.uniform(2500, 6000)),
    "ride": lambda rng: cymbal(rng, rng.uniform(0.15, 0.5), rng.uniform(1500, 4000)),
    "crash": lambda rng: cymbal(rng, rng.uniform(0.3, 0.8), rng.uniform(800, 3000)),
    "tom": lambda rng: tom(rng, rng.uniform(80, 160)),
    "hand": lambda rng: tom(rng, rng.uniform(150, 400)),
    "bell": block,
    "shaker": shaker,
    "clap": clap,
}


class PluckedStrings:
    """A guitar, bass or harp-like instrument of one timbre; strings are computed once per pitch."""

    def __init__(self, rng: Generator) -> None:
        """Draw the timbre: where it is plucked, how bright, how long it rings."""
        self._rng = rng
        self._position = rng.uniform(0.08, 0.4)
        self._brightness = rng.uniform(0.2, 1.0)
        self._ring = rng.uniform(0.990, 0.9995)
        self._muted = rng.random() < 0.15
        self._known: dict[int, FloatArray] = {}

    def tone(self, pitch: int) -> FloatArray:
        """The full-length sound of one string, peak 1."""
        if pitch not in self._known:
            self._known[pitch] = self._pluck(hertz(pitch))
        return self._known[pitch]

    def _pluck(self, frequency_hz: float, length_s: float = 2.5) -> FloatArray:
        """Karplus and Strong's loop, computed period by period."""
        period = max(8, int(RATE_HZ / frequency_hz - 0.5))
        pulse = self._rng.uniform(-1, 1, period)
        pulse -= np.roll(pulse, max(1, int(self._position * period)))
        pulse = lfilter([self._brightness], [1, self._brightness - 1], np.tile(pulse, 2))[period:]
        loss = (0.93 if self._muted else self._ring) ** max(1.0, frequency_hz / 200)
        turns = int(length_s * RATE_HZ / period) + 1
        wave = np.empty((turns, period))
        for turn in range(turns):
            wave[turn] = pulse
            pulse = loss * 0.5 * (pulse + np.r_[pulse[1:], pulse[:1]])
        samples = wave.reshape(-1)[: int(length_s * RATE_HZ)]
        exact = np.arange(0, len(samples) - 1, frequency_hz * (period + 0.5) / RATE_HZ)
        samples = np.interp(exact, np.arange(len(samples)), samples)
        return np.asarray((samples / (np.abs(samples).max() + 1e-9)).astype(np.float32))


class Oscillators:
    """A synthesiser or organ of one timbre: harmonics with an envelope."""

    def __init__(self, rng: Generator) -> None:
        """Draw the harmonics and the envelope."""
        self._slope = rng.uniform(0.6, 2.2)
        self._odd_only = rng.random() < 0.3
        self._attack_s = float(np.exp(rng.uniform(np.log(0.002), np.log(0.15))))
        self._decay_s = rng.uniform(0.2, 4.0)
        self._detune = rng.uniform(0, 0.004)
        self._known: dict[int, FloatArray] = {}

    def tone(self, pitch: int) -> FloatArray:
        """Two and a half seconds of one note, peak 1."""
        if pitch not in self._known:
            t = _time(2.5)
            base = hertz(pitch)
            numbers = np.arange(1, max(2, min(24, int(9000 / base))), 2 if self._odd_only else 1)
            wave = np.zeros(len(t))
            for n in numbers:
                wave += n**-self._slope * (
                    np.sin(2 * np.pi * base * n * t) + np.sin(2 * np.pi * base * n * (1 + self._detune) * t + n)
                )
            wave *= (1 - np.exp(-t / self._attack_s)) * np.exp(-t / self._decay_s)
            self._known[pitch] = (wave / (np.abs(wave).max() + 1e-9)).astype(np.float32)
        return self._known[pitch]


_FORMANTS_HZ = np.array(
    [
        [730, 1090, 2440],
        [570, 840, 2410],
        [300, 870, 2240],
        [270, 2290, 3010],
        [530, 1840, 2480],
        [660, 1720, 2410],
        [440, 1020, 2240],
    ],
    float,
)
_HOP = 256


def sing(notes: FloatArray, length: int, rng: Generator) -> FloatArray:
    """A voice singing notes (n, 4) of start_s, end_s, pitch, velocity: glides, vibrato, vowels, consonants."""
    hz, level, vowel = np.full(length, 100.0, np.float32), np.zeros(length, np.float32), np.zeros(length, int)
    breath = np.zeros(length, np.float32)
    centre = rng.uniform(48, 66)
    shift = 12 * round((centre - float(np.median(notes[:, 2]))) / 12)
    glide_s, consonant = rng.uniform(0.02, 0.09), rng.uniform(0.1, 1.2)
    before_hz = 0.0
    for row, (start_s, held_to_s, pitch, velocity) in enumerate(notes):
        end_s = min(held_to_s, notes[row + 1, 0]) if row + 1 < len(notes) else held_to_s
        first, last = int(max(0, start_s) * RATE_HZ), int(min(end_s * RATE_HZ, length))
        if last - first < 600:
            continue
        t = np.arange(last - first) / RATE_HZ
        aim = hertz(pitch + shift)
        origin = before_hz if before_hz and rng.random() < 0.8 else aim * 2 ** (rng.normal(-1, 1) / 12)
        vibrato = rng.uniform(0.1, 0.5) * np.minimum(1, t / 0.4) * np.sin(2 * np.pi * rng.uniform(4.8, 6.3) * t)
        hz[first:last] = aim * (origin / aim) ** np.exp(-t / glide_s) * 2 ** (vibrato / 12)
        swell = (1 - np.exp(-t / rng.uniform(0.015, 0.1))) * np.minimum(1, (t[-1] - t) / 0.05)
        level[first:last] = swell * (velocity / 127) ** 0.8
        vowel[first:last] = rng.integers(len(_FORMANTS_HZ))
        before_hz = aim
        if rng.random() < 0.6:
            lead = max(0, first - int(rng.uniform(0.03, 0.12) * RATE_HZ))
            breath[lead:first] += np.hanning(first - lead) * consonant * rng.uniform(0.3, 1)
    phase = np.cumsum(hz / RATE_HZ)
    noise = rng.normal(size=length).astype(np.float32)
    source = (2 * (phase % 1) - 1 + (0.05 if rng.random() < 0.85 else 0.8) * noise) * level
    voiced = _through_formants(source, vowel, rng)
    hiss = lfilter([1, -0.9], [1], noise) * breath * 0.03
    return np.asarray((voiced / (voiced.std() + 1e-6) * 0.08 + hiss).astype(np.float32))


def _through_formants(source: FloatArray, vowel: NDArray[np.int64], rng: Generator) -> FloatArray:
    """Shape the spectrum frame by frame; vowels move into one another over some 70 ms."""
    frequency, _, spectrum = stft(source, RATE_HZ, nperseg=1024, noverlap=1024 - _HOP)
    width = np.array([110.0, 155.0, 240.0])
    curves = np.zeros((len(_FORMANTS_HZ), len(frequency)))
    for k, gain in enumerate((1.0, 0.6, 0.35)):
        centre = _FORMANTS_HZ[:, k] * rng.uniform(0.95, 1.15)
        curves += gain * np.exp(-0.5 * ((frequency[None] - centre[:, None]) / width[k]) ** 2)
    curves += 0.03 * np.exp(-frequency / 3000)
    frame_vowel = vowel[np.minimum(np.arange(spectrum.shape[1]) * _HOP, len(vowel) - 1)]
    mix = np.eye(len(_FORMANTS_HZ))[frame_vowel]
    kernel = np.ones(6) / 6
    mix = np.stack([np.convolve(column, kernel, "same") for column in mix.T])
    _, shaped = istft(spectrum * (curves.T @ mix), RATE_HZ, nperseg=1024, noverlap=1024 - _HOP)
    return np.pad(shaped, (0, max(0, len(source) - len(shaped))))[: len(source)].astype(np.float32)


def amplified(samples: FloatArray, rng: Generator, drive_db: tuple[float, float]) -> FloatArray:
    """A guitar amplifier: high-pass, clipping, and a loudspeaker's band."""
    level = samples / (samples.std() + 1e-6) * 0.1
    tight = lfilter([0.97, -0.97], [1, -0.94], level)
    bent = np.tanh(tight * 10 ** (rng.uniform(*drive_db) / 20) + rng.uniform(0, 0.15))
    sos = butter(
        2, [rng.uniform(60, 110) / _NYQUIST_HZ, rng.uniform(3500, 6500) / _NYQUIST_HZ], "bandpass", output="sos"
    )
    return np.asarray(sosfilt(sos, bent).astype(np.float32))
