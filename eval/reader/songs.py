"""Whole songs for the reader: styles from the book, bars counted in many arrangements, arranged pop songs."""

from __future__ import annotations

import gzip
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.composing import compose, from_arrangement, with_groove
from eval.train.form import Score
from eval.train.ingredients import RATE_HZ, Ingredients
from eval.train.percussion import with_percussion
from eval.train.performing import PLAYED_FREELY, perform
from eval.train.rendering import Studio
from eval.train.style import Style
from eval.train.styles import STYLES

LONGEST_S, SHORTEST_S = 150.0, 60.0
SHARE_ARRANGED, SHARE_COUNTED = 0.3, 0.3
SHARE_SOLO = 0.1
SHARE_HUMAN = 0.25
SHARE_PERCUSSION = 0.2
SHARE_FREE = 0.25
SHARE_LATE_CHORDS, SHARE_LATE_WITHOUT_DRUMS = 0.08, 0.25
TEMPO_SPREAD = 0.1
"""Natural logarithm, as for the other networks."""

HARD = frozenset(
    {"reggae", "swing", "shuffle", "twelve-eight", "classical", "two-beat", "train", "jazz-waltz", "gospel"}
)
"""Styles in which the 1 is seldom said outright: made twice as often."""

_GRIDS = {"4/4 straight": (4, 4, 0.7), "4/4 triplet": (4, 3, 0.18), "3/4 straight": (3, 4, 0.12)}
"""Beats a bar, slots a beat, and how often: grids of the counts that hold enough different bars."""

_FAMILIES = ("guitar", "acoustic", "keys", "drive", "organ", "pad", "synth", "nylon", "strings", "brass")


@dataclass(frozen=True, slots=True)
class WholeSong:
    """samples (n,) float32 at RATE_HZ; beats (n_beats, 2) of time_s, count; what it is."""

    samples: NDArray[np.float32]
    beats: NDArray[np.float64]
    style: str


class Counts:
    """Bars of drums, bass and chords with how many songs have them (patterns.json.gz of the training material)."""

    def __init__(self, path: Path) -> None:
        """Read the tables."""
        with gzip.open(path) as file:
            self._tables = json.load(file)

    def style(self, rng: Generator) -> Style:
        """A style made of bars that occur together in many songs."""
        names = list(_GRIDS)
        weight = np.array([_GRIDS[name][2] for name in names])
        grid = names[rng.choice(len(names), p=weight / weight.sum())]
        beats, slots, _ = _GRIDS[grid]
        bars = [self._bar(grid, rng) for _ in range(3)]
        basses = [_held(self._bass(grid, bar[0], rng), "R", rng) for bar in bars[:2]]
        comps = tuple((str(rng.choice(_FAMILIES)), _held(self._comp(grid, rng), "x", rng)) for _ in range(3))
        rides = any("x" in bar[3] for bar in bars)
        low, _, high = bars[0][7] or (70, 110, 160)
        return Style(
            name=f"counted {grid}",
            weight=1.0,
            beats=beats,
            slots=slots,
            bpm=(float(max(low, 50)), float(min(max(high, low + 10), 215))),
            kick=tuple(bar[0] for bar in bars),
            snare=tuple(bar[1] for bar in bars),
            hat=tuple(bar[3] if "x" in bar[3] else bar[2] for bar in bars),
            bass=tuple(basses),
            comps=comps,
            hat_sound=("ride",) if rides else ("closed", "closed", "open"),
            riffs=0.1,
            drumless=0.3,
        )

    def _bar(self, grid: str, rng: Generator) -> list[Any]:
        rows = [r for r in self._tables["1_drum_bars"][grid]["rows"] if "x" in r[0] or "x" in r[1]]
        return _drawn(rows, [r[6] for r in rows], rng)

    def _bass(self, grid: str, kick: str, rng: Generator) -> str:
        rows = self._tables["2_bass"][grid]["given_kick"].get(kick)
        if not rows or rng.random() < 0.2:
            rows = self._tables["2_bass"][grid]["overall"]["rows"]
        rows = [r for r in rows if "x" in r[0]]
        return str(_drawn(rows, [r[2] for r in rows], rng)[0])

    def _comp(self, grid: str, rng: Generator) -> str:
        rows = [r for r in self._tables["3_comping"][grid]["overall"]["rows"] if "x" in r[0]]
        return str(_drawn(rows, [r[2] for r in rows], rng)[0])


def _drawn(rows: list[list[Any]], counts: list[float], rng: Generator) -> list[Any]:
    """One of the rows: common ones more often, but less so than they are common."""
    weight = np.array(counts, float) ** 0.7
    return rows[rng.choice(len(rows), p=weight / weight.sum())]


def _held(mask: str, struck: str, rng: Generator) -> str:
    """A mask as a rhythm: notes held until the next, or short."""
    rest = "-" if rng.random() < 0.7 else "."
    return "".join(struck if mark == "x" else rest for mark in mask)


class WholeSongMaker:
    """Makes whole songs: the same seed gives the same song."""

    def __init__(self, ingredients: Ingredients, counts: Counts | None, shares: tuple[float, float]) -> None:
        """shares: of arranged and of counted songs; the rest is from the book of styles."""
        self._ingredients, self._counts, self._shares = ingredients, counts, shares
        self._studio = Studio(ingredients, LONGEST_S)
        weights = np.array([s.weight * (2.0 if s.name in HARD else 1.0) for s in STYLES])
        self._chance = weights / weights.sum()

    def make(self, seed: int, style: Style | None = None) -> WholeSong:
        """Compose, perform, render and mix one song: of a kind that is drawn, or in a given style."""
        rng = np.random.default_rng(seed)
        length_s = float(rng.uniform(SHORTEST_S, LONGEST_S))
        score = self._composed(style, length_s, rng) if style else self._score(length_s, rng)
        free = score.style in PLAYED_FREELY and not len(score.drums) and rng.random() < SHARE_FREE
        played = perform(score, length_s, rng, free)
        stems = self._studio.render(played, rng)[:, : int((played.end_s + 1.0) * RATE_HZ)]
        return WholeSong(mixed(stems, rng), played.beats, played.style)

    def _score(self, length_s: float, rng: Generator) -> Score:
        kind, (arranged, counted) = rng.random(), self._shares
        if kind < arranged and self._ingredients.arrangements:
            return self._arranged(length_s, rng)
        if kind < arranged + counted and self._counts is not None:
            style = self._counts.style(rng)
        else:
            style = STYLES[rng.choice(len(STYLES), p=self._chance)]
        return self._composed(style, length_s, rng)

    def _composed(self, style: Style, length_s: float, rng: Generator) -> Score:
        bpm = float(np.exp(rng.uniform(*np.log(style.bpm))) * np.exp(rng.normal(0, TEMPO_SPREAD)))
        solo = rng.random() < SHARE_SOLO and style.drumless < 0.9
        with_drums = solo or rng.random() >= style.drumless
        late = SHARE_LATE_CHORDS if with_drums else SHARE_LATE_WITHOUT_DRUMS
        score = compose(style, bpm, _bars(length_s, bpm, style.beats), rng, not solo, with_drums, late)
        even = len(np.unique(np.diff(score.bar_start))) == 1
        straight = with_drums and style.beats == 4 and style.slots in (2, 4) and even
        if straight and self._ingredients.grooves and rng.random() < (0.6 if solo else SHARE_HUMAN):
            score = self._human(score, rng)
        if len(score.drums) and rng.random() < SHARE_PERCUSSION:
            return with_percussion(score, style.slots, rng)
        return score

    def _human(self, score: Score, rng: Generator) -> Score:
        grooves = self._ingredients.grooves
        groove = grooves[rng.integers(len(grooves))]
        bpm = float(np.clip(groove.bpm * np.exp(rng.normal(0, 0.12)), 50, 220))
        return with_groove(Score(score.style, bpm, score.bar_start, score.parts, score.drums, 0.5, 0.5), groove, rng)

    def _arranged(self, length_s: float, rng: Generator) -> Score:
        songs = self._ingredients.arrangements
        song = songs[rng.integers(len(songs))]
        bars = min(song.bars - 1, _bars(length_s, song.bpm * 1.1, song.beats_per_bar))
        first = int(rng.integers(0, max(1, song.bars - bars)))
        style: Style | None = None
        if rng.random() < 0.6:
            fitting = [s for s in STYLES if s.beats == song.beats_per_bar and s.slots in (2, 4) and s.swing[1] == 0.5]
            style = fitting[rng.integers(len(fitting))]
            if self._counts is not None and rng.random() < 0.5:
                drawn = self._counts.style(rng)
                style = drawn if drawn.beats == song.beats_per_bar and drawn.slots == 4 else style
        return from_arrangement(song, first, bars, rng, style)


def _bars(length_s: float, bpm: float, beats_per_bar: int) -> int:
    return max(8, int(length_s * bpm / 60 / beats_per_bar) + 1)


def mixed(stems: NDArray[np.float32], rng: Generator) -> NDArray[np.float32]:
    """(n,) the stems at random levels, coloured, driven, with a little noise; drums are often left out."""
    level_db = rng.normal([1.5, 0.0, 0.0, 0.0], [4.5, 4.0, 4.0, 4.0])
    gain = 10 ** (level_db / 20)
    sounds = np.abs(stems).max(axis=1) > 1e-4
    absent = rng.random(4) < np.array([0.3, 0.07, 0.04, 0.25])
    if (sounds & ~absent).any() and sounds[1:].any():
        gain[absent] = 0.0
    if not (sounds & (gain > 0)).any():
        gain[:] = 1.0
    mix = np.asarray(gain, np.float32) @ stems
    mix = _coloured(mix, rng)
    mix = mix * np.float32(0.1 / (float(np.sqrt(np.mean(mix * mix))) + 1e-6))
    drive = float(rng.choice([0.0, 1.0, 3.0, 6.0]))
    if drive:
        mix = np.tanh(drive * mix) / np.float32(drive)
    noise = rng.standard_normal(len(mix), np.float32) * np.float32(10 ** (rng.uniform(-80, -45) / 20))
    return np.asarray(mix + noise, np.float32)


def _coloured(mix: NDArray[np.float32], rng: Generator) -> NDArray[np.float32]:
    """A smooth random curve over frequency, a few decibels high."""
    n = len(mix)
    spectrum = np.fft.rfft(mix)
    hz = np.maximum(np.fft.rfftfreq(n, 1 / RATE_HZ), 20.0)
    curve_db = np.interp(np.log2(hz), np.linspace(np.log2(20), np.log2(11025), 8), rng.normal(0, 3.5, 8))
    return np.asarray(np.fft.irfft(spectrum * 10 ** (curve_db / 20), n), np.float32)
