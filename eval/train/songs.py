"""Whole songs from a seed: which kind, which style, and how it sounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eval.train.aims import AIMS, Aim
from eval.train.composing import compose, from_arrangement, with_groove
from eval.train.form import Score
from eval.train.ingredients import Ingredients
from eval.train.percussion import with_percussion
from eval.train.performing import PLAYED_FREELY, Performance, perform
from eval.train.rendering import Studio
from eval.train.style import Style
from eval.train.styles import STYLES

LENGTH_S = 40.0
SHARE_ARRANGED = 0.12
SHARE_LATE_CHORDS = 0.12
SHARE_RUBATO = 0.35
"""Of the songs without drums in styles that are played freely."""
TEMPO_SPREAD = 0.1
"""Natural logarithm: styles are played slower and faster than by the book, and no tempo should give a style away."""
PARTS = ("fonts", "shots", "grooves", "arrangements", "late-chords", "bands", "rubato")
"""What a recipe may be made without, to learn what it is worth; bands is the mixer's."""


def _less(ingredients: Ingredients, without: frozenset[str]) -> Ingredients:
    """The ingredients, without those that are left out."""
    return Ingredients(
        () if "fonts" in without else ingredients.soundfonts,
        {} if "shots" in without else ingredients.shots,
        () if "grooves" in without else ingredients.grooves,
        () if "arrangements" in without else ingredients.arrangements,
    )


@dataclass(frozen=True, slots=True)
class Song:
    """One song.

    stems (4, n) int16; beats (n, 2) of time_s, count; hits (n, 2) of time_s, kind, where they are known; end_s; what
    it is.
    """

    stems: NDArray[np.int16]
    beats: NDArray[np.float64]
    hits: NDArray[np.float64]
    end_s: float
    style: str
    hits_known: bool = True


class SongMaker:
    """Makes songs: the same seed gives the same song."""

    def __init__(
        self, ingredients: Ingredients, without: frozenset[str] = frozenset(), aim: Aim = AIMS["pulse"]
    ) -> None:
        """Open the instruments; without names PARTS of the recipe that are left out."""
        ingredients = _less(ingredients, without)
        self._aim = aim
        self._ingredients = ingredients
        self._share_late = 0.0 if "late-chords" in without else SHARE_LATE_CHORDS
        self._share_rubato = 0.0 if "rubato" in without else SHARE_RUBATO
        self._studio = Studio(ingredients, LENGTH_S)
        weights = np.array([s.weight for s in STYLES])
        self._chance = weights / weights.sum()

    def make(self, seed: int) -> Song:
        """Compose, perform and render one song."""
        rng = np.random.default_rng(seed)
        song = self.play(rng)
        stems = np.clip(self._studio.render(song, rng), -0.99, 0.99)
        return Song((stems * 32767).astype(np.int16), song.beats, song.hits, song.end_s, song.style)

    def play(self, rng: np.random.Generator) -> Performance:
        """Compose and perform a song without rendering it."""
        score = self._score(rng)
        free = score.style in PLAYED_FREELY and not len(score.drums) and rng.random() < self._share_rubato
        return perform(score, LENGTH_S, rng, free)

    def _score(self, rng: np.random.Generator) -> Score:
        kind = rng.random()
        if kind < SHARE_ARRANGED and self._ingredients.arrangements:
            return self._arranged(rng)
        style = STYLES[rng.choice(len(STYLES), p=self._chance)]
        bpm = float(np.exp(rng.uniform(*np.log(style.bpm))) * np.exp(rng.normal(0, TEMPO_SPREAD)))
        solo = kind > 1 - self._aim.share_solo and style.drumless < 0.9
        with_drums = solo or rng.random() >= style.drumless
        bars = self._bars(bpm, style.beats, rng)
        score = compose(style, bpm, bars, rng, not solo, with_drums, self._share_late)
        straight = (
            with_drums and style.beats == 4 and style.slots in (2, 4) and len(np.unique(np.diff(score.bar_start))) == 1
        )
        if straight and self._ingredients.grooves and rng.random() < self._aim.share_human:
            score = self._human(score, rng)
        if len(score.drums) and rng.random() < self._aim.share_percussion:
            return with_percussion(score, style.slots, rng)
        return score

    def _bars(self, bpm: float, beats_per_bar: int, rng: np.random.Generator) -> int:
        """Enough bars to fill the length, or fewer."""
        full = int(LENGTH_S * bpm / 60 / beats_per_bar) + 5
        return full if rng.random() < 0.75 else max(5, int(full * rng.uniform(0.5, 0.95)))

    def _human(self, score: Score, rng: np.random.Generator) -> Score:
        """Drums from a recorded performance, at about its own tempo."""
        grooves = self._ingredients.grooves
        groove = grooves[rng.integers(len(grooves))]
        bpm = float(np.clip(groove.bpm * np.exp(rng.normal(0, 0.12)), 50, 220))
        return with_groove(Score(score.style, bpm, score.bar_start, score.parts, score.drums, 0.5, 0.5), groove, rng)

    def _arranged(self, rng: np.random.Generator) -> Score:
        songs = self._ingredients.arrangements
        song = songs[rng.integers(len(songs))]
        bars = min(song.bars - 4, int(LENGTH_S * song.bpm * 1.2 / 60 / song.beats_per_bar) + 2)
        first = int(rng.integers(0, song.bars - bars))
        fitting = [s for s in STYLES if s.beats == song.beats_per_bar and s.slots in (2, 4) and s.swing == (0.5, 0.5)]
        style: Style | None = fitting[rng.integers(len(fitting))] if rng.random() < 0.55 else None
        return from_arrangement(song, first, bars, rng, style)
