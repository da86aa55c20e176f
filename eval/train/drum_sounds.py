"""Drum sounds made by our own code for takes: 44.1 kHz, harder strokes brighter, no two strokes alike.

Membranes ring in the modes of an ideal circular one (ratios 1, 1.59, 2.14, 2.30, 2.65, 2.92: Rossing, The physics of
musical instruments; from memory). Cymbals are lines and noise that die away the faster the higher they are.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len
from scipy.signal import butter, sosfilt

FloatArray = NDArray[np.float64]

RATE_HZ = 44100
_MODES = np.array([1.0, 1.59, 2.14, 2.30, 2.65, 2.92])
_SILENT = 10 ** (-60 / 20)

Sound = Callable[[Generator, float], FloatArray]
"""A drum: from a stroke's hardness 0..1 to its sound, of any loudness."""


def drum(name: str, rng: Generator) -> Sound:
    """A drum of this name (one of take_kits.DRUMS), its size, tuning and damping drawn at random."""
    if name == "kick":
        return _kick(rng)
    if name == "snare":
        return _snare(rng)
    if name == "side":
        return _stick(rng)
    if name.startswith("tom"):
        return _tom(rng, (70.0, 92.0, 118.0, 150.0)[int(name[3:]) - 1])
    ring_s, low_hz, ping = {
        "closed": ((0.012, 0.07), (500, 7500), 0.6),
        "pedal": ((0.02, 0.09), (400, 7000), 0.3),
        "open": ((0.12, 0.9), (500, 6500), 0.4),
        "ride": ((0.3, 1.6), (1200, 4500), 1.2),
        "bell": ((0.25, 1.0), (700, 2500), 1.2),
    }.get(name, ((0.25, 1.4), (700, 4000), 0.3))
    return _cymbal(rng, float(np.exp(rng.uniform(*np.log(ring_s)))), float(np.exp(rng.uniform(*np.log(low_hz)))), ping)


def _time(length_s: float) -> FloatArray:
    return np.arange(int(length_s * RATE_HZ)) / RATE_HZ


def _noise(rng: Generator, n: int, low_hz: float, high_hz: float) -> FloatArray:
    sos = butter(int(rng.integers(1, 3)), (low_hz, min(high_hz, 20000.0)), "bandpass", fs=RATE_HZ, output="sos")
    band = sosfilt(sos, rng.normal(size=n))
    return np.asarray(band / (np.std(band) + 1e-9) / 3)


def _membrane(rng: Generator, base_hz: float, decay_s: float, bend: float, fall_s: float) -> Sound:
    level = rng.uniform(0.1, 1.0, len(_MODES)) * np.array([1.0, 0.7, 0.5, 0.4, 0.3, 0.3])
    ratio = _MODES * np.exp(rng.normal(0, 0.03, len(_MODES)))
    damping = 1 + rng.uniform(0.5, 3.0) * (ratio - 1)

    def struck(rng: Generator, hard: float) -> FloatArray:
        t = _time(min(1.5, 6 * decay_s))
        course = 1 + bend * (0.3 + 0.7 * hard) * np.exp(-t / fall_s)
        phase = 2 * np.pi * np.cumsum(base_hz * rng.uniform(0.985, 1.015) * course) / RATE_HZ
        bright = (0.35 + 0.65 * hard) ** np.arange(len(_MODES))
        body = np.zeros(len(t))
        for k in range(len(_MODES)):
            fade = np.exp(-t * damping[k] / decay_s)
            body += level[k] * bright[k] * rng.uniform(0.7, 1.3) * np.sin(phase * ratio[k] + rng.uniform(0, 0.8)) * fade
        return body

    return struck


def _kick(rng: Generator) -> Sound:
    membrane = _membrane(
        rng, rng.uniform(38, 78), rng.uniform(0.05, 0.35), rng.uniform(0.2, 4.0), rng.uniform(0.006, 0.05)
    )
    click, click_s = rng.uniform(0.03, 0.6), rng.uniform(0.001, 0.006)
    low_hz, high_hz = rng.uniform(500, 2500), rng.uniform(3000, 10000)

    def struck(rng: Generator, hard: float) -> FloatArray:
        body = membrane(rng, hard)
        beater = _noise(rng, len(body), low_hz, low_hz + (high_hz - low_hz) * (0.3 + 0.7 * hard))
        return body + click * (0.3 + hard) * beater * np.exp(-np.arange(len(body)) / RATE_HZ / click_s)

    return struck


def _tom(rng: Generator, base_hz: float) -> Sound:
    membrane = _membrane(
        rng, base_hz * rng.uniform(0.8, 1.35), rng.uniform(0.08, 0.5), rng.uniform(0.05, 0.6), rng.uniform(0.01, 0.06)
    )
    slap, low_hz = rng.uniform(0.05, 0.6), rng.uniform(300, 1500)

    def struck(rng: Generator, hard: float) -> FloatArray:
        body = membrane(rng, hard)
        stick = _noise(rng, len(body), low_hz, low_hz + 6000 * (0.3 + 0.7 * hard))
        return body + slap * stick * np.exp(-np.arange(len(body)) / RATE_HZ / 0.006)

    return struck


def _snare(rng: Generator) -> Sound:
    membrane = _membrane(rng, rng.uniform(140, 290), rng.uniform(0.02, 0.16), rng.uniform(0, 0.3), 0.02)
    body_level, wires_s = rng.uniform(0.15, 1.0), rng.uniform(0.03, 0.22)
    low_hz, high_hz = rng.uniform(500, 2800), rng.uniform(5000, 17000)
    late, crack = int(rng.uniform(0, 0.003) * RATE_HZ), rng.uniform(0.1, 0.9)

    def struck(rng: Generator, hard: float) -> FloatArray:
        n = int(min(1.0, 6 * wires_s) * RATE_HZ) + late
        t = np.arange(n) / RATE_HZ
        wires = _noise(rng, n, low_hz, low_hz + (high_hz - low_hz) * (0.4 + 0.6 * hard))
        wires *= np.exp(-t / (wires_s * (0.6 + 0.4 * hard)))
        sound = np.r_[np.zeros(late), wires][:n]
        sound += crack * (0.2 + hard) * _noise(rng, n, 800, 9000) * np.exp(-t / 0.003)
        head = membrane(rng, hard)[:n]
        sound[: len(head)] += body_level * head
        return np.asarray(sound)

    return struck


def buzz(rng: Generator) -> NDArray[np.float32]:
    """The snare's wires, rattling because another drum was struck: late, soft in onset, nobody's stroke."""
    n = int(rng.uniform(0.08, 0.4) * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    late_s, rise_s, fall_s = rng.uniform(0.001, 0.012), rng.uniform(0.002, 0.02), rng.uniform(0.02, 0.12)
    after = np.maximum(t - late_s, 0.0)
    shape = (1 - np.exp(-after / rise_s)) * np.exp(-after / fall_s)
    return trimmed(_noise(rng, n, rng.uniform(500, 2500), rng.uniform(5000, 14000)) * shape)


def _stick(rng: Generator) -> Sound:
    partials = rng.uniform(350, 3200, 4)
    decay_s = rng.uniform(0.006, 0.04, 4)

    def struck(rng: Generator, hard: float) -> FloatArray:
        t = _time(0.2)
        ring = sum(
            np.sin(2 * np.pi * hz * rng.uniform(0.99, 1.01) * t) * np.exp(-t / s)
            for hz, s in zip(partials, decay_s, strict=True)
        )
        knock: FloatArray = ring + (0.3 + hard) * _noise(rng, len(t), 800, 8000) * np.exp(-t / 0.003)
        return knock

    return struck


def _cymbal(rng: Generator, ring_s: float, low_hz: float, ping: float) -> Sound:
    """Three bands that each die away on their own, lines (a bell's ring) and noise (a wash) in shares of their own."""
    n = next_fast_len(int(min(3.0, 5 * ring_s + 0.05) * RATE_HZ), real=True)
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    top_hz = rng.uniform(9000, 19000)
    rising = 1 / (1 + (low_hz / np.maximum(hz, 1.0)) ** rng.uniform(3, 8))
    falling = 1 / (1 + (hz / top_hz) ** rng.uniform(4, 10))
    colour = (
        rising * falling * np.exp(np.interp(np.log(np.maximum(hz, 20)), np.linspace(5, 10, 9), rng.normal(0, 0.5, 9)))
    )
    lines = np.abs(rng.normal(size=len(hz))) ** rng.uniform(1, 9)
    edge_hz = np.exp(rng.uniform(*np.log((2500, 6000)))), np.exp(rng.uniform(*np.log((7000, 12000))))
    slower = rng.uniform(1.0, 2.0), 1.0, rng.uniform(0.4, 1.0)
    stick = ping * rng.uniform(0.1, 1.6), rng.uniform(0.001, 0.012), rng.uniform(1500, 5000), rng.uniform(6000, 16000)
    swell_s = rng.uniform(0.0003, 0.004) if ring_s < 0.2 else rng.uniform(0.0003, 0.02)

    def struck(rng: Generator, hard: float) -> FloatArray:
        bright = colour / (1 + (hz / (3000 + 14000 * (0.2 + hard))) ** 3)
        spectrum = (bright * lines * np.exp(2j * np.pi * rng.random(len(hz)))).astype(np.complex64)
        t = np.arange(n) / RATE_HZ
        wash = np.zeros(n)
        for inside, factor in zip(
            (hz < edge_hz[0], (hz >= edge_hz[0]) & (hz < edge_hz[1]), hz >= edge_hz[1]), slower, strict=True
        ):
            wash += irfft(np.where(inside, spectrum, 0), n) * np.exp(-t / (ring_s * factor))
        wash *= (1 - np.exp(-t / swell_s)) / (np.std(wash[: n // 3]) + 1e-12) / 3
        level, decay_s, low, high = stick
        tip = _noise(rng, n, low, low + (high - low) * (0.3 + 0.7 * hard)) * np.exp(-t / decay_s)
        return np.asarray(wash * (0.5 + 0.5 * hard) + level * tip)

    return struck


def trimmed(sound: FloatArray) -> NDArray[np.float32]:
    """Peak at 1, cut where it has died away, faded out over its last fifth."""
    sound = sound / (np.abs(sound).max() + 1e-12)
    loud = np.flatnonzero(np.abs(sound) > _SILENT)
    sound = sound[: int(loud[-1]) + 1] if len(loud) else sound[:1]
    fade = len(sound) // 5
    if fade:
        sound = sound * np.r_[np.ones(len(sound) - fade), np.linspace(1, 0, fade)]
    return np.asarray(sound, np.float32)
