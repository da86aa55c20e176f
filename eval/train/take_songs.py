"""Takes from a seed: who drums what on which kit, and what leaks in beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from eval.train.aims import AIMS
from eval.train.drum_sounds import RATE_HZ
from eval.train.ingredients import RATE_HZ as SONG_RATE_HZ
from eval.train.ingredients import own_sounds_only
from eval.train.rendering import Studio
from eval.train.songs import LENGTH_S as SONG_S
from eval.train.songs import SongMaker
from eval.train.take_ingredients import TakeIngredients
from eval.train.take_kits import DRUM_OF_KEY, DRUMS, KIND_OF_DRUM, KINDS, Kit, draw_kit, render

LENGTH_S = 20.0
STEMS = ("drums", "leak")

SHARE_HUMAN, SHARE_MADE = 0.6, 0.25
"""Of human drumming and of drumming by the book; the rest is struck at random, where no pattern helps (judged)."""

SHARE_LEAK, SHARE_CLICK, SHARE_NOISES = 0.3, 0.15, 0.2
"""Of takes into which a track leaks, a click, and what moves in a room (judged)."""

_TAKES_A_KIT, _KEPT_LEAKS = 3, 6
_MADE = replace(AIMS["kit"], share_solo=1.0, share_human=0.0, share_percussion=0.3)

FloatArray = NDArray[np.float64]
Note = tuple[float, str, float]


@dataclass(frozen=True, slots=True)
class Take:
    """sound (2, n) int16 of STEMS; hits (n, 2) of time_s and index into KINDS; end_s, after which nothing is struck."""

    sound: NDArray[np.int16]
    hits: FloatArray
    end_s: float


class TakeMaker:
    """Makes takes: the same seeds in the same order give the same takes (kits and leaks serve a few of them)."""

    def __init__(self, ingredients: TakeIngredients) -> None:
        """Open nothing: all sounds are in memory or made."""
        self._ingredients = ingredients
        self._kit: Kit | None = None
        self._made = 0
        self._leaks: list[NDArray[np.float32]] = []
        own = own_sounds_only()
        self._books, self._songs = SongMaker(own, aim=_MADE), SongMaker(own)
        self._studio = Studio(own, SONG_S)

    def make(self, seed: int) -> Take:
        """Draw, perform and render one take."""
        rng = np.random.default_rng(seed)
        if self._kit is None or self._made % _TAKES_A_KIT == 0:
            self._kit = draw_kit(self._ingredients.samples, rng)
        self._made += 1
        notes, beat_s = self._notes(rng)
        notes = _revoiced(notes, rng)
        lead_s = float(rng.choice([0.0, rng.uniform(0, 2.0)]))
        notes = sorted((t + lead_s, d, v) for t, d, v in notes if 0 <= t + lead_s < LENGTH_S - 0.05)
        drums = render(self._kit, notes, LENGTH_S, rng)
        leak = np.zeros(len(drums), np.float32)
        if rng.random() < SHARE_LEAK:
            leak = leak + self._leak(rng)
        if rng.random() < SHARE_CLICK:
            leak = leak + _click(beat_s, lead_s, len(drums), rng)
        if rng.random() < SHARE_NOISES:
            leak = leak + _noises(len(drums), rng)
        top = float(np.abs(leak).max())
        sound = np.stack([drums, leak / np.float32(top) if top > 0 else leak])
        hits = np.array([(t, KINDS.index(KIND_OF_DRUM[d])) for t, d, _ in notes]).reshape(-1, 2)
        return Take((sound * 32000).astype(np.int16), hits, LENGTH_S)

    def _notes(self, rng: Generator) -> tuple[list[Note], float]:
        """Notes from 0 s on, and the length of a beat."""
        kind = rng.random()
        if kind < SHARE_HUMAN and self._ingredients.played:
            return self._human(rng)
        if kind < SHARE_HUMAN + SHARE_MADE:
            song = self._books.play(rng)
            beat_s = float(np.median(np.diff(song.beats[:, 0]))) if len(song.beats) > 1 else 0.5
            return _as_notes(song.drums), beat_s
        return at_random(rng)

    def _human(self, rng: Generator) -> tuple[list[Note], float]:
        """A stretch of a performance, somewhat faster or slower; a short one again and again."""
        played, bpm = self._ingredients.played[int(rng.integers(len(self._ingredients.played)))]
        speed = float(np.exp(rng.normal(0, 0.15)))
        need_s = LENGTH_S * speed
        beat_s = 60 / bpm
        whole_s = float(np.ceil(played[-1, 0] / (4 * beat_s))) * 4 * beat_s
        turns = int(np.ceil(2 * need_s / whole_s)) if whole_s < need_s else 1
        notes = np.concatenate([played + np.array([k * whole_s, 0, 0]) for k in range(turns)])
        first_s = float(rng.uniform(0, max(0.0, turns * whole_s - need_s))) if rng.random() < 0.8 else 0.0
        first_s = beat_s * round(first_s / beat_s)
        inside = notes[(notes[:, 0] >= first_s) & (notes[:, 0] < first_s + need_s)]
        moved = np.c_[(inside[:, 0] - first_s) / speed, inside[:, 1:]]
        return _as_notes(moved), beat_s / speed

    def _leak(self, rng: Generator) -> NDArray[np.float32]:
        """A track without drums, at the rate of takes; each serves a few."""
        if len(self._leaks) < _KEPT_LEAKS or rng.random() < 0.15:
            song = self._songs.play(rng)
            stems = self._studio.render(replace(song, drums=np.zeros((0, 3))), rng)
            track = stems[1:].sum(axis=0)
            at = np.arange(int(LENGTH_S * RATE_HZ)) * (SONG_RATE_HZ / RATE_HZ)
            self._leaks = [
                *self._leaks[-_KEPT_LEAKS + 1 :],
                np.interp(at, np.arange(len(track)), track).astype(np.float32),
            ]
        return np.roll(self._leaks[int(rng.integers(len(self._leaks)))], int(rng.integers(RATE_HZ)))


def _as_notes(rows: FloatArray) -> list[Note]:
    """Notes of (time_s, General MIDI key, velocity) rows, a kit's drums only."""
    return [(float(t), DRUM_OF_KEY[int(k)], float(v)) for t, k, v in rows if int(k) in DRUM_OF_KEY]


def _revoiced(notes: list[Note], rng: Generator) -> list[Note]:
    """Other cymbals for the hats, other dynamics, a drum left out."""
    swap: dict[str, str] = {}
    dice = rng.random()
    if dice < 0.15:
        swap = dict.fromkeys(("closed", "open"), "ride")
    elif dice < 0.22:
        swap = dict.fromkeys(("closed", "open"), str(rng.choice(["crash1", "crash2"])))
    elif dice < 0.32:
        swap = {"closed": "open"}
    elif dice < 0.4:
        swap = dict.fromkeys(("ride", "bell"), "closed")
    if rng.random() < 0.06:
        swap["snare"] = "side"
    bend, out = float(np.exp(rng.normal(0.1, 0.25))), str(rng.choice(DRUMS)) if rng.random() < 0.1 else ""
    softer = {name: float(10 ** (rng.normal(0, 2.5) / 20)) for name in ("kick", "snare", "tom", "hat", "cymbal")}

    def velocity(name: str, v: float) -> float:
        return float(np.clip(127 * (v / 127) ** bend * softer[KIND_OF_DRUM[name]], 4, 127))

    return [(t, swap.get(d, d), velocity(swap.get(d, d), v)) for t, d, v in notes if d != out]


def at_random(rng: Generator) -> tuple[list[Note], float]:
    """Limbs that each strike on a grid of their own, by chance, loud and soft; rolls now and then."""
    beat_s = 60 / float(rng.uniform(55, 190))
    notes: list[Note] = []
    limbs = [
        ["kick"],
        ["snare", "side"],
        ["closed", "open", "ride", "bell"],
        ["pedal"],
        ["tom1", "tom2", "tom3", "tom4"],
    ]
    limbs.append(["crash1", "crash2", "splash"])
    density = rng.uniform([0.1, 0.1, 0.2, 0, 0, 0], [0.5, 0.6, 1.0, 0.4, 0.3, 0.12])
    for limb, chance in zip(limbs, density, strict=True):
        step_s = beat_s / int(rng.choice([1, 2, 2, 3, 4, 4]))
        mean, loose = rng.uniform(20, 110), rng.uniform(0.002, 0.02)
        main = str(rng.choice(limb))
        for k in range(int(LENGTH_S / step_s)):
            if rng.random() < chance:
                name = main if rng.random() < 0.8 else str(rng.choice(limb))
                notes.append((k * step_s + float(rng.normal(0, loose)), name, float(rng.normal(mean, 22))))
    for _ in range(int(rng.integers(0, 4))):
        first_s, step_s = float(rng.uniform(0, LENGTH_S - 2)), float(rng.uniform(0.045, 0.13))
        name, low, high = (
            str(rng.choice(["snare", "snare", "tom1", "tom3", "crash1", "ride"])),
            *rng.uniform(15, 110, 2),
        )
        count = int(rng.integers(3, 20))
        notes += [(first_s + k * step_s, name, float(low + (high - low) * k / count)) for k in range(count)]
    return sorted((max(0.0, t), d, float(np.clip(v, 5, 127))) for t, d, v in notes), beat_s


def _click(beat_s: float, lead_s: float, length: int, rng: Generator) -> NDArray[np.float32]:
    """A click in the headphones: short tones on the beats, or on halves of them."""
    out = np.zeros(length, np.float32)
    t = np.arange(int(rng.uniform(0.01, 0.06) * RATE_HZ)) / RATE_HZ
    hz, fade_s = rng.uniform(500, 3500), rng.uniform(0.003, 0.02)
    low: Callable[[float], FloatArray] = lambda f: np.sin(2 * np.pi * f * t) * np.exp(-t / fade_s)  # noqa: E731
    tones = low(hz * rng.choice([1.0, 1.5, 2.0])), low(hz)
    every_s = beat_s / int(rng.choice([1, 1, 2]))
    for k in range(int(length / RATE_HZ / every_s) + 1):
        first = int((lead_s + k * every_s) * RATE_HZ)
        tone = tones[0 if k % 4 == 0 else 1][: max(0, length - first)]
        out[first : first + len(tone)] += tone.astype(np.float32)
    return out


def _noises(length: int, rng: Generator) -> NDArray[np.float32]:
    """What moves in a room without being a stroke: creaks, knocks and rustles of any colour, here and there."""
    out = np.zeros(length, np.float32)
    for _ in range(int(rng.integers(1, 15))):
        n, first = int(rng.uniform(0.01, 0.5) * RATE_HZ), int(rng.integers(length))
        t = np.arange(n) / RATE_HZ
        low_hz = float(np.exp(rng.uniform(*np.log((40, 3000)))))
        sos = butter(1, (low_hz, low_hz * rng.uniform(1.5, 5)), "bandpass", fs=RATE_HZ, output="sos")
        shape = (1 - np.exp(-t / rng.uniform(0.003, 0.1))) * np.exp(-t / rng.uniform(0.01, 0.2))
        noise = sosfilt(sos, rng.normal(size=n)) * shape
        noise = noise / (np.abs(noise).max() + 1e-9) * rng.uniform(0.1, 1)
        noise = noise[: length - first]
        out[first : first + len(noise)] += noise.astype(np.float32)
    return out
