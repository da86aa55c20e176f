"""A drum kit made by code, for takes whose every stroke is known.

Plain synthesis: a swept sine with a beater's click (kick), a tone under noise (snare), sines (toms), high-passed
noise and inharmonic squares (hi-hat, cymbals). Sounds change from stroke to stroke, softer strokes are duller.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

from pulsefind.take.records import TakeHits

RATE_HZ = 44100


def render(hits: TakeHits, rng: np.random.Generator, room: float = 0.1, noise_db: float = -70.0) -> NDArray[np.float64]:
    """Sound of the strokes (levels as velocities), (n,) at 44.1 kHz, with a little room and hiss."""
    length = int((max(hits.duration_s, float(hits.time_s[-1])) + 2.0) * RATE_HZ)
    dry = np.zeros(length)
    for time_s, kind, level in zip(hits.time_s, hits.kind, hits.level, strict=True):
        sound = _faded(_SOUNDS[kind](rng, float(level) / 127))
        # The stroke begins between two samples: the first sample after it starts the sound.
        first = int(np.ceil(time_s * RATE_HZ))
        last = min(length, first + len(sound))
        dry[first:last] += sound[: last - first]
    tail = rng.normal(size=int(0.25 * RATE_HZ)) * np.exp(-np.arange(int(0.25 * RATE_HZ)) / (0.05 * RATE_HZ))
    # Reflections come after the direct sound.
    tail = np.r_[np.zeros(int(0.008 * RATE_HZ)), tail / np.sqrt(np.sum(tail**2))]
    wet = dry + room * fftconvolve(dry, tail)[:length]
    wet /= np.max(np.abs(wet)) / 0.8
    heard: NDArray[np.float64] = wet + 10 ** (noise_db / 20) * rng.normal(size=length)
    return heard


def _faded(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """The last quarter faded out: a sound cut off while it rings would click, which no drum does."""
    n = len(sound) // 4
    faded: NDArray[np.float64] = np.r_[sound[:-n], sound[-n:] * np.cos(np.linspace(0, np.pi / 2, n)) ** 2]
    return faded


def _loudness(velocity: float) -> float:
    """Amplitude of a stroke: about 30 dB from the softest to the loudest."""
    return float(0.03 + 0.97 * velocity**2)


def _decay(seconds: float, length_s: float) -> NDArray[np.float64]:
    return np.exp(-np.arange(int(length_s * RATE_HZ)) / (seconds * RATE_HZ))


def _bright(velocity: float, low_hz: float, high_hz: float) -> float:
    return low_hz + (high_hz - low_hz) * velocity


def _kick(rng: np.random.Generator, velocity: float) -> NDArray[np.float64]:
    n = int(0.35 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    pitch = 48 * rng.uniform(0.98, 1.02) + 90 * np.exp(-t / 0.02)
    body = np.sin(2 * np.pi * np.cumsum(pitch) / RATE_HZ) * np.exp(-t / 0.11)
    click = _noise(rng, 0.006, 0.002, 800, _bright(velocity, 2500, 6000)) * 0.35
    return _loudness(velocity) * (body + _padded(click, n))


def _snare(rng: np.random.Generator, velocity: float) -> NDArray[np.float64]:
    n = int(0.3 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    body = np.sin(2 * np.pi * 190 * rng.uniform(0.98, 1.02) * t) * np.exp(-t / 0.05) * 0.6
    wires = _noise(rng, 0.3, 0.06, 900, _bright(velocity, 6000, 12000)) * 0.7
    return _loudness(velocity) * (body + _padded(wires, n))


def _tom(rng: np.random.Generator, velocity: float) -> NDArray[np.float64]:
    n = int(0.4 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    pitch = rng.choice([95.0, 130.0, 170.0]) * (1 + 0.3 * np.exp(-t / 0.03))
    body = np.sin(2 * np.pi * np.cumsum(pitch) / RATE_HZ) * np.exp(-t / 0.14)
    return _loudness(velocity) * (body + _padded(_noise(rng, 0.01, 0.003, 500, 4000) * 0.3, n)) * 0.8


def _hat(rng: np.random.Generator, velocity: float) -> NDArray[np.float64]:
    return _loudness(velocity) * 0.4 * _noise(rng, 0.12, 0.025, 6000, _bright(velocity, 11000, 16000))


def _cymbal(rng: np.random.Generator, velocity: float) -> NDArray[np.float64]:
    wash = _noise(rng, 1.2, 0.35, 3500, _bright(velocity, 9000, 15000))
    # The stick's ping stands over the wash; without it a ride over a crash could not be heard by anyone.
    ping = _noise(rng, 0.05, 0.008, 2500, 12000)
    return _loudness(velocity) * 0.35 * (0.6 * wash + _padded(ping, len(wash)))


def _other(rng: np.random.Generator, velocity: float) -> NDArray[np.float64]:
    return _loudness(velocity) * 0.5 * _noise(rng, 0.08, 0.015, 1200, 6000)


def _noise(
    rng: np.random.Generator, length_s: float, decay_s: float, low_hz: float, high_hz: float
) -> NDArray[np.float64]:
    sos = butter(2, (low_hz, high_hz), "bandpass", fs=RATE_HZ, output="sos")
    noise = sosfilt(sos, rng.normal(size=int(length_s * RATE_HZ)) * _decay(decay_s, length_s))
    shaped: NDArray[np.float64] = noise / (np.max(np.abs(noise)) + 1e-12)
    return shaped


def _padded(sound: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    return np.pad(sound, (0, n - len(sound)))


_SOUNDS = {"kick": _kick, "snare": _snare, "tom": _tom, "hat": _hat, "cymbal": _cymbal, "other": _other}


def add_leak(
    take: NDArray[np.float64],
    track: NDArray[np.floating],
    starts_at_s: float,
    clock_ppm: float,
    level_db: float,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """The take with the track heard in it, level_db against the drums' mean power, through a small room."""
    at = (starts_at_s + np.arange(len(take)) / RATE_HZ / (1 + 1e-6 * clock_ppm)) * RATE_HZ
    leak = np.interp(at, np.arange(len(track)), track, left=0.0, right=0.0)
    n = int(0.15 * RATE_HZ)
    room = np.r_[1.0, 0.02 * rng.normal(size=n) * np.exp(-np.arange(n) / (0.03 * RATE_HZ))]
    leak = fftconvolve(leak, room)[: len(take)]
    power = np.sqrt(np.mean(take**2) / (np.mean(leak**2) + 1e-20))
    mixed: NDArray[np.float64] = take + 10 ** (level_db / 20) * power * leak
    return mixed
