"""A small set made from code, with exact beats and drums: for tests and for machines that have no other set.

Plain drum patterns (kick, snare, closed hat from sines and noise) under a bass line and held chords. An easy
set: it shows that nothing is broken, not how good a system is.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from eval.store import whole_file, write_text

RATE_HZ = 22050
LEAD_IN_S = 0.35


@dataclass(frozen=True, slots=True)
class Pattern:
    """One song: tempo, beats in the bar, and for each class the places (beats from the 1) in every bar."""

    name: str
    bpm: float
    beats: int
    places: dict[str, tuple[float, ...]]
    drift: float = 0.0


PATTERNS = (
    Pattern("rock", 112.0, 4, {"KD": (0, 2), "SD": (1, 3), "HH": (0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5)}),
    Pattern("waltz", 138.0, 3, {"KD": (0,), "SD": (1, 2), "HH": (0, 1, 2)}),
    Pattern("offbeat", 92.0, 4, {"KD": (0, 2.5), "SD": (1, 3), "HH": (0.5, 1.5, 2.5, 3.5)}),
    Pattern(
        "shuffle",
        124.0,
        4,
        {"KD": (0, 2), "SD": (1, 3), "HH": (0, 2 / 3, 1, 5 / 3, 2, 8 / 3, 3, 11 / 3)},
        0.03,
    ),
)


def beat_times_s(pattern: Pattern, seconds: float) -> NDArray[np.float64]:
    """Return the beats of whole bars within the given length; drift is the share by which the tempo rises."""
    step_s = 60 / pattern.bpm
    n = int((seconds - LEAD_IN_S) / step_s) // pattern.beats * pattern.beats
    tempo = 1 + pattern.drift * np.arange(n) / max(n, 1)
    return np.asarray(LEAD_IN_S + np.r_[0, np.cumsum(step_s / tempo)][:n], dtype=np.float64)


def _strike(kind: str, noise: np.random.Generator) -> NDArray[np.float64]:
    """Return the sound of one hit."""
    t = np.arange(int(0.15 * RATE_HZ)) / RATE_HZ
    hiss = noise.standard_normal(len(t))
    sounds = {
        "KD": 0.9 * np.exp(-t / 0.05) * np.sin(2 * np.pi * (50 * t + 6 * (1 - np.exp(-t / 0.03)))),
        "SD": 0.35 * np.exp(-t / 0.05) * (hiss + np.sin(2 * np.pi * 190 * t)),
        "HH": 0.2 * np.exp(-t / 0.015) * np.diff(hiss, prepend=0),
    }
    return np.asarray(sounds[kind], dtype=np.float64)


def _hits_s(pattern: Pattern, beat_s: NDArray[np.float64]) -> list[tuple[float, str]]:
    """Return every hit as time and class, in order."""
    index = np.arange(len(beat_s))
    starts = index[:: pattern.beats]
    hits = [
        (float(np.interp(start + place, index, beat_s)), kind)
        for kind, places in pattern.places.items()
        for place in places
        for start in starts
        if start + place <= index[-1]
    ]
    return sorted(hits)


def _tones(pattern: Pattern, beat_s: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Return bass and chords that change with the bar."""
    sound = np.zeros(n)
    roots_hz = (110.0, 146.83, 164.81, 110.0)
    ends_s = [*beat_s[pattern.beats :: pattern.beats], n / RATE_HZ]
    for bar, (start_s, end_s) in enumerate(zip(beat_s[:: pattern.beats], ends_s, strict=True)):
        first, last = int(start_s * RATE_HZ), int(end_s * RATE_HZ)
        t = np.arange(last - first) / RATE_HZ
        root_hz = roots_hz[bar % len(roots_hz)]
        chord = sum(np.sin(2 * np.pi * root_hz * ratio * t) for ratio in (0.5, 1, 1.25, 1.5))
        sound[first:last] += 0.06 * chord * np.minimum(1, t / 0.01) * np.exp(-t / 2)
    return sound


def song(pattern: Pattern, seconds: float, seed: int) -> tuple[NDArray[np.float64], str, str]:
    """Return samples at 22050 Hz and the texts of its beat and drum annotations."""
    beat_s = beat_times_s(pattern, seconds)
    hits = _hits_s(pattern, beat_s)
    samples = _tones(pattern, beat_s, int(seconds * RATE_HZ))
    noise = np.random.default_rng(seed)
    for time_s, kind in hits:
        strike = _strike(kind, noise)
        at = round(time_s * RATE_HZ)
        part = samples[at : at + len(strike)]
        part += strike[: len(part)]
    beats = "".join(f"{t:.4f}\t{k % pattern.beats + 1}\n" for k, t in enumerate(beat_s))
    return samples / np.abs(samples).max() * 0.8, beats, "".join(f"{t:.4f}\t{kind}\n" for t, kind in hits)


def write_set(folder: Path, seconds: float) -> list[str]:
    """Write the set in the plain layout and return its ids."""
    names = []
    for seed, pattern in enumerate(PATTERNS):
        samples, beats, drums = song(pattern, seconds, seed)
        write_audio(folder / "audio" / f"{pattern.name}.flac", samples, RATE_HZ)
        write_text(folder / "beats" / f"{pattern.name}.beats", beats)
        write_text(folder / "drums" / f"{pattern.name}.txt", drums)
        names.append(pattern.name)
    return names


def write_audio(path: Path, samples: NDArray[np.float64], rate_hz: int) -> None:
    """Write a FLAC file in one step."""
    with whole_file(path) as part:
        soundfile.write(part, samples, rate_hz, format="FLAC", subtype="PCM_16")
