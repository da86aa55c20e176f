"""Made mixes whose guides or swing are known: an off-beat figure under a band without drums, and shuffles.

The carrier is one instrument, pitched or not, that plays a known figure in every bar; pads, a bass and a melody lie
over it. Its level is that of its own sound, where it sounds, against the mean level of the rest. Instruments are those
of eval.train, made by code; with SoundFonts the pitched ones are played on them. The true beats are given, so that the
figures speak of guides and swing alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.train.ingredients import RATE_HZ
from eval.train.rendering import played, player
from eval.train.sounds import DRUM_MAKERS, Oscillators, PluckedStrings
from pulsefind import analyse
from pulsefind.core.records import Analysis, Guide, Pulse
from pulsefind.listen.audio import from_samples

LEVELS_DB = (6.0, 0.0, -6.0, -12.0, -18.0)
FIGURES = (
    (1.5, 3.5),
    (0.5, 1.5, 2.5, 3.5),
    (0.0, 1.5),
    (0.0, 1.5, 3.0),
    (0.25, 1.5, 2.75),
)
"""Places in beats from the 1 (common practice, no source)."""

CARRIERS = ("muted guitar", "organ", "plucked bass", "piano", "shaker", "clap", "block", "bell")
_PROGRAM = {"muted guitar": 28, "organ": 16, "plucked bass": 33, "piano": 0, "pad": 89, "bass": 32, "melody": 73}
_PITCH = {"muted guitar": (52, 59), "organ": (64, 67, 71), "plucked bass": (40,), "piano": (60, 64, 67)}
_STRUCK = {"shaker": "shaker", "clap": "clap", "block": "bell", "bell": "closed"}
BARS, FIRST_S = 12, 0.5
RATIOS = tuple(np.arange(1.0, 3.01, 0.25).tolist())
SHUFFLE_BPM = (80, 100, 120, 140, 160, 180, 200, 220)
LOOSE_S = 0.004

Notes = NDArray[np.float64]
Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Mix:
    """What is in one mix: the carrier, its figure (beats from the 1), tempo, and the seed of everything else."""

    carrier: str
    figure: tuple[float, ...]
    bpm: float
    seed: int


@dataclass(frozen=True, slots=True)
class LevelRow:
    """Of n mixes at one level: in how many some guide, and the first one, has the figure's exact place set."""

    level_db: float
    found: int
    first: int
    n: int


@dataclass(frozen=True, slots=True)
class SwingRow:
    """One shuffle: its tempo and ratio, and the ratio that was found."""

    bpm: float
    ratio: float
    found: float


def mixes() -> list[Mix]:
    """Every carrier with every figure, each at its own tempo from 84 to 150."""
    pairs = [(carrier, figure) for carrier in CARRIERS for figure in FIGURES]
    return [Mix(carrier, figure, 84.0 + (k * 29) % 67, k) for k, (carrier, figure) in enumerate(pairs)]


def level_curve(fonts: Sequence[Path] = ()) -> Iterator[LevelRow]:
    """Analyse every mix at every level; one row a level."""
    band = _Band(fonts)
    parts = [(mix, *band.parts(mix)) for mix in mixes()]
    for level_db in LEVELS_DB:
        found = first = 0
        for mix, carrier, rest in parts:
            guides = analyse(from_samples(_mixed(carrier, rest, level_db), RATE_HZ), beats_from=_pulse(mix.bpm)).guides
            right = [exact(_places(guide), mix.figure) for guide in guides]
            found += any(right)
            first += bool(right) and right[0]
        yield LevelRow(level_db, found, first, len(parts))


def swing_curve() -> Iterator[SwingRow]:
    """Analyse a shuffle of hi-hat, bass drum and snare at every tempo and ratio."""
    for bpm in SHUFFLE_BPM:
        for k, ratio in enumerate(RATIOS):
            analysis = analyse(from_samples(_shuffle(bpm, ratio, seed=k), RATE_HZ), beats_from=_pulse(bpm))
            yield SwingRow(bpm, ratio, found_ratio(analysis))


def found_ratio(analysis: Analysis) -> float:
    """The swing ratio of most bars; a triplet grid in which only the last third is struck would be called 2 : 1."""
    longest = max(analysis.grid.sections, key=lambda section: section.last_bar - section.first_bar)
    return 2.0 if longest.slots_per_beat == 3 else longest.swing_ratio


def exact(stated: Sequence[float], true: Sequence[float]) -> bool:
    """Are these the same places (beats from the 1, one bar)?"""
    return len(stated) == len(true) and bool(np.allclose(sorted(stated), sorted(true), atol=0.1))


def _places(guide: Guide) -> tuple[float, ...]:
    """Places of a guide of one bar; a longer one states no set of a bar."""
    return tuple(place.position_beats for place in guide.places) if guide.pattern_bars == 1 else ()


def _pulse(bpm: float) -> Pulse:
    n = BARS * 4
    beats = np.arange(n)
    return Pulse(FIRST_S + beats * 60 / bpm, beats % 4 + 1, np.full(n, 4), 4, 1.0, 1.0, 1.0)


def _mixed(carrier: Samples, rest: Samples, level_db: float) -> Samples:
    sounding = np.abs(carrier) > 0.05 * np.abs(carrier).max()
    gain = 10 ** (level_db / 20) * np.sqrt(np.mean(rest**2)) / np.sqrt(np.mean(carrier[sounding] ** 2))
    mix = gain * carrier + rest
    return np.asarray(0.7 * mix / np.abs(mix).max(), np.float32)


class _Band:
    """Plays the parts: on SoundFonts, if there are any, else on instruments made by code."""

    def __init__(self, fonts: Sequence[Path]) -> None:
        self._players = [player(path) for path in fonts]

    def parts(self, mix: Mix) -> tuple[Samples, Samples]:
        """The carrier, and the rest: pads, bass, melody."""
        rng = np.random.default_rng(mix.seed)
        length = int((FIRST_S + (BARS * 4 + 1) * 60 / mix.bpm) * RATE_HZ)
        return self._carrier(mix, length, rng), self._rest(mix, length, rng)

    def _carrier(self, mix: Mix, length: int, rng: np.random.Generator) -> Samples:
        at = np.array([bar * 4 + place for bar in range(BARS) for place in mix.figure])
        start_s = FIRST_S + at * 60 / mix.bpm + rng.normal(0, LOOSE_S, len(at))
        if mix.carrier in _STRUCK:
            return _struck(DRUM_MAKERS[_STRUCK[mix.carrier]](rng), start_s, length)
        rows = [(s, s + 0.12, pitch, 100.0) for s in start_s for pitch in _PITCH[mix.carrier]]
        plucked = mix.carrier != "organ"
        return self._notes(np.array(rows), _PROGRAM[mix.carrier], plucked, length, rng)

    def _rest(self, mix: Mix, length: int, rng: np.random.Generator) -> Samples:
        step, roots = 60 / mix.bpm, (45, 41, 48, 43)
        pad, bass, melody = [], [], []
        for bar in range(BARS):
            start_s, root = FIRST_S + bar * 4 * step, roots[bar % 4]
            pad += [(start_s, start_s + 4 * step, root + k, 80.0) for k in (12, 19, 24, 28)]
            bass += [(start_s + k * step, start_s + (k + 1.8) * step, root - 12, 90.0) for k in (0, 2)]
            for place in np.flatnonzero(rng.random(8) < 0.35) / 2:
                pitch = root + 24 + int(rng.choice([0, 4, 7, 9, 12]))
                melody.append((start_s + place * step, start_s + (place + 0.8) * step, pitch, 85.0))
        total = np.zeros(length, np.float32)
        for rows, name, level in ((pad, "pad", 1.0), (bass, "bass", 0.8), (melody, "melody", 0.7)):
            sound = self._notes(np.array(rows), _PROGRAM[name], name == "bass", length, rng)
            total += level * sound / (np.sqrt(np.mean(sound**2)) + 1e-9)
        return total

    def _notes(self, notes: Notes, program: int, plucked: bool, length: int, rng: np.random.Generator) -> Samples:
        if self._players:
            synth, font = self._players[int(rng.integers(len(self._players)))]
            synth.sounds_off()
            synth.program_select(0, font, 0, program)
            return np.asarray(played(synth, 0, notes, length))
        instrument = PluckedStrings(rng) if plucked else Oscillators(rng)
        out = np.zeros(length, np.float32)
        release = np.linspace(1, 0, int(0.03 * RATE_HZ), dtype=np.float32)
        for start_s, end_s, pitch, velocity in notes:
            first = int(start_s * RATE_HZ)
            tone = instrument.tone(int(pitch))[: int((end_s - start_s) * RATE_HZ) + len(release)].copy()
            tone[-len(release) :] *= release
            out[first : first + len(tone)] += tone[: max(0, length - first)] * np.float32(velocity / 127)
        return out


def _struck(sound: Samples, start_s: NDArray[np.float64], length: int) -> Samples:
    out = np.zeros(length, np.float32)
    for first in np.round(start_s * RATE_HZ).astype(int):
        part = out[first : first + len(sound)]
        part += sound[: len(part)]
    return out


def _shuffle(bpm: float, ratio: float, seed: int) -> Samples:
    rng = np.random.default_rng(seed)
    step = 60 / bpm
    length = int((FIRST_S + (BARS * 4 + 1) * step) * RATE_HZ)
    beats = np.arange(BARS * 4)
    late = ratio / (1 + ratio)
    total = np.zeros(length, np.float32)
    for kind, at, level in (
        ("closed", np.sort(np.r_[beats, beats + late]), 0.4),
        ("kick", beats[::2].astype(float), 1.0),
        ("snare", beats[1::2].astype(float), 0.8),
    ):
        start_s = FIRST_S + at * step + rng.normal(0, LOOSE_S, len(at))
        total += level * _struck(DRUM_MAKERS[kind](rng), start_s, length)
    return np.asarray(0.7 * total / np.abs(total).max(), np.float32)
