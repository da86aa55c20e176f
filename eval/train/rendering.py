"""From notes in seconds to sound: four stems (drums, bass, chords, lead) of 22.05 kHz."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.ingredients import RATE_HZ, Ingredients
from eval.train.performing import Performance
from eval.train.sounds import DRUM_MAKERS, Oscillators, PluckedStrings, amplified, sing
from pulsefind.core.errors import PulsefindError

FloatArray = NDArray[np.float32]

STEMS = ("drums", "bass", "comp", "lead")

_PROGRAMS = {
    "bass": (32, 33, 33, 34, 34, 35, 36, 37, 38, 39),
    "keys": (0, 0, 1, 2, 3, 4, 5, 6, 7, 11),
    "guitar": (25, 26, 27, 27, 28, 29),
    "acoustic": (24, 25, 25, 25),
    "nylon": (24, 24, 25),
    "drive": (29, 30, 30, 28),
    "jazz": (26, 0, 4, 26),
    "vibes": (11, 12),
    "organ": (16, 17, 18, 19, 20),
    "pad": (48, 49, 50, 51, 52, 53, 88, 89, 91, 94, 95),
    "strings": (48, 49, 44, 45, 40, 42),
    "brass": (56, 57, 60, 61, 62, 63, 65),
    "accordion": (21, 22, 23),
    "synth": (80, 81, 62, 63, 87, 90, 5, 38),
    "solo": (
        0,
        4,
        11,
        12,
        21,
        22,
        24,
        25,
        26,
        27,
        29,
        30,
        40,
        41,
        42,
        56,
        57,
        59,
        60,
        64,
        65,
        66,
        68,
        71,
        73,
        74,
        75,
        80,
        81,
        85,
    ),
    "voice": (52, 53, 54, 85, 73),
}
_KITS = (0, 0, 0, 8, 16, 24, 25, 32, 40)
_STRINGED = frozenset({"bass", "guitar", "acoustic", "nylon", "drive", "jazz"})
_SHOT_OF_KEY = {
    **dict.fromkeys((35, 36), "kick"),
    **dict.fromkeys((38, 40), "snare"),
    39: "clap",
    **dict.fromkeys((42, 44), "closed"),
    46: "open",
    **dict.fromkeys((49, 52, 55, 57), "crash"),
    **dict.fromkeys((51, 53, 59), "ride"),
    **dict.fromkeys((41, 43, 45, 47, 48, 50), "tom"),
    **dict.fromkeys((60, 61, 62, 63, 64), "hand"),
    **dict.fromkeys((54, 69, 70, 82), "shaker"),
}
_SHIFT_OF_KEY = {41: -5, 43: -3, 45: 0, 47: 2, 48: 4, 50: 6, 60: 3, 61: -1, 62: 4, 63: 1, 64: -4}
_LEVEL = {
    "kick": 1.0,
    "snare": 0.8,
    "closed": 0.35,
    "open": 0.4,
    "ride": 0.35,
    "crash": 0.55,
    "bell": 0.4,
    "shaker": 0.35,
}


class Studio:
    """Renders performances. Holds the SoundFont players, which keep state: use one studio in one process."""

    def __init__(self, ingredients: Ingredients, length_s: float) -> None:
        """Open the SoundFonts; without any, all sound comes from our own code."""
        self._shots = ingredients.shots
        self._length = int(length_s * RATE_HZ)
        self._players = [player(path) for path in ingredients.soundfonts]

    def render(self, song: Performance, rng: Generator) -> FloatArray:
        """Stems (4, n) float32, each at an rms of 0.1 where it sounds, silent after the song's end."""
        stems = np.zeros((len(STEMS), self._length), np.float32)
        if len(song.drums):
            stems[0] = self._drums(song.drums, rng)
        for row, role in enumerate(STEMS[1:], 1):
            for part in song.parts:
                if part.role == role:
                    sound = self._part(part.family, part.notes, rng)
                    stems[row] += _levelled(sound) * 10 ** (rng.normal(0, 3) / 20)
        stems = np.stack([_levelled(s) for s in stems])
        end = int(song.end_s * RATE_HZ)
        stems[:, end:] = 0
        if rng.random() < 0.05:
            fade = int(min(end, rng.uniform(3, 12) * RATE_HZ))
            stems[:, end - fade : end] *= np.linspace(1, 0.02, fade, dtype=np.float32)
        return stems

    def _part(self, family: str, notes: NDArray[np.float64], rng: Generator) -> FloatArray:
        """One pitched part on an instrument of its family."""
        if family == "voice" and len(notes) > 3 and rng.random() < 0.75:
            return sing(notes.astype(np.float32), self._length, rng)
        if not self._players or rng.random() < (0.3 if family in _STRINGED else 0.12):
            instrument = PluckedStrings(rng) if family in _STRINGED or rng.random() < 0.3 else Oscillators(rng)
            sound = self._own(instrument, notes)
        else:
            sound = self._sampled(_PROGRAMS[family], notes, rng)
        if family == "drive":
            return amplified(sound, rng, (18, 46))
        if family in _STRINGED and rng.random() < 0.35:
            return amplified(sound, rng, (-6, 20))
        return sound

    def _own(self, instrument: PluckedStrings | Oscillators, notes: NDArray[np.float64]) -> FloatArray:
        """Notes on an instrument made by our own code, released over 40 ms."""
        out = np.zeros(self._length, np.float32)
        release = np.linspace(1, 0, int(0.04 * RATE_HZ), dtype=np.float32)
        for start_s, end_s, pitch, velocity in notes:
            first = int(start_s * RATE_HZ)
            if first >= self._length:
                continue
            tone = instrument.tone(int(np.clip(pitch, 24, 100)))
            held = tone[: max(len(release), int((end_s - start_s) * RATE_HZ)) + len(release)].copy()
            held[-len(release) :] *= release
            held = held[: self._length - first] * np.float32((velocity / 127) ** 1.3)
            out[first : first + len(held)] += held
        return out

    def _sampled(self, programs: tuple[int, ...], notes: NDArray[np.float64], rng: Generator) -> FloatArray:
        """Notes on a SoundFont's instrument."""
        synth, font = self._players[rng.integers(len(self._players))]
        synth.sounds_off()
        synth.program_select(0, font, 0, int(rng.choice(programs)))
        return played(synth, 0, notes, self._length)

    def _drums(self, hits: NDArray[np.float64], rng: Generator) -> FloatArray:
        """Drums on a SoundFont's kit, or on single sounds, sampled and made."""
        if self._players and rng.random() < 0.45:
            synth, font = self._players[rng.integers(len(self._players))]
            synth.sounds_off()
            synth.program_select(9, font, 128, int(rng.choice(_KITS)), True)
            keyed = np.where(hits[:, 1] == 82, 40, hits[:, 1])
            return played(synth, 9, np.c_[hits[:, 0], hits[:, 0] + 0.12, keyed, hits[:, 2]], self._length)
        out = np.zeros(self._length, np.float32)
        made: dict[int, FloatArray] = {}
        curve = rng.uniform(1.1, 1.8)
        for time_s, key, velocity in hits:
            first = int(time_s * RATE_HZ)
            if first >= self._length:
                continue
            if int(key) not in made:
                made[int(key)] = self._shot(int(key), rng)
            sound = made[int(key)][: self._length - first]
            out[first : first + len(sound)] += sound * np.float32((velocity / 127) ** curve)
        return out

    def _shot(self, key: int, rng: Generator) -> FloatArray:
        """One drum's sound: sampled and re-pitched, or made."""
        kind = _SHOT_OF_KEY.get(key, "bell")
        pool = self._shots.get(kind, ())
        if pool and rng.random() < 0.4:
            sound = pool[rng.integers(len(pool))]
            step = 2 ** ((_SHIFT_OF_KEY.get(key, 0) + rng.normal(0, 1.5)) / 12)
        else:
            sound = DRUM_MAKERS[kind](rng)
            step = 2 ** (_SHIFT_OF_KEY.get(key, 0) / 12)
        position = np.arange(0, len(sound) - 1, step)
        sound = np.interp(position, np.arange(len(sound)), sound).astype(np.float32)
        return np.asarray(sound * np.float32(_LEVEL.get(kind, 0.6) * 10 ** (rng.normal(0, 2.5) / 20)))


def player(path: Any, rate_hz: int = RATE_HZ) -> tuple[Any, int]:
    """A SoundFont player and the font's number in it.

    Raises
    ------
    PulsefindError
        if tinysoundfont isn't installed.
    """
    try:
        import tinysoundfont
    except ImportError:
        raise PulsefindError(
            f"{path}: SoundFonts need tinysoundfont; run pip install --no-deps tinysoundfont"
        ) from None
    synth = tinysoundfont.Synth(samplerate=rate_hz, gain=-9)
    return synth, synth.sfload(str(path))


def played(synth: Any, channel: int, notes: NDArray[np.float64], length: int, rate_hz: int = RATE_HZ) -> FloatArray:
    """Run a player of a rate through notes (n, 4) of start_s, end_s, key, velocity."""
    start = np.minimum((notes[:, 0] * rate_hz).astype(int), length)
    stop = np.minimum(np.maximum((notes[:, 1] * rate_hz).astype(int), start + 400), length)
    key, velocity = notes[:, 2].astype(int), np.clip(notes[:, 3], 5, 127).astype(int)
    keep = (start < length) & (key >= 0) & (key < 128)
    events = [(s, 1, k, v) for s, k, v in zip(start[keep], key[keep], velocity[keep], strict=True)]
    events += [(s, 0, k, 0) for s, k in zip(stop[keep], key[keep], strict=True)]
    out, position = np.zeros(length, np.float32), 0
    for sample, on, note, loud in sorted(events):
        if sample - position >= 32:
            out[position:sample] = _next(synth, sample - position)
            position = sample
        if on:
            synth.noteon(channel, int(note), int(loud))
        else:
            synth.noteoff(channel, int(note))
    if position < length:
        out[position:] = _next(synth, length - position)
    return out


def _next(synth: Any, count: int) -> FloatArray:
    """The player's next samples, as mono."""
    stereo = np.frombuffer(bytes(synth.generate(count)), np.float32).reshape(-1, 2)
    return np.asarray(stereo.mean(axis=1))


def _levelled(stem: FloatArray) -> FloatArray:
    """Scale to an rms of 0.1 over the samples that are not silent."""
    loud = stem[np.abs(stem) > 1e-4]
    return stem * np.float32(0.1 / (np.sqrt(np.mean(loud * loud)) + 1e-6)) if len(loud) > 100 else stem * 0
