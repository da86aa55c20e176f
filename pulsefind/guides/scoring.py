"""How much a player can lean on a guide."""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import FloatArray, Guide

SCORE_WEIGHTS = (0.2, 0.1, 0.3, 0.1, 0.3)
"""How much recurrence, audibility, coverage, tightness and clarity count in a guide's score."""

NO_DRUM, LONGER_FIGURE = 0.7, 0.85
"""What a score is multiplied by where the sound is none of the drum kit's, which are told apart more surely, and where
a figure of two or four bars has to be kept in mind. Chosen, as the weights, on made songs (first guide right)."""

LEFT_OPEN = 0.25
"""How much a score falls for a guide that leaves every beat open as the 1, as one on all beats does. By judgement, of
0, 0.1, 0.15 and 0.25 tried on the sets at hand (eval/sets/NOTES.md)."""

_SAME_PLACE_BEATS = 0.1


def score_of(guide: Guide, beats_per_bar: int) -> float:
    """What a player can lean on, 0..1, less where the guide's places leave the 1 open."""
    return _parts_score(guide) * (1.0 - LEFT_OPEN * _open(guide, beats_per_bar))


def _parts_score(guide: Guide) -> float:
    """What a player can lean on: the weighted geometric mean of its parts, 0..1. A part that is nought makes it nought.

    It is less for sounds outside the drum kit and for figures longer than a bar.
    """
    parts = np.array([guide.recurrence, guide.audibility, guide.coverage_share, guide.tightness, guide.clarity])
    score = float(np.exp(np.array(SCORE_WEIGHTS) @ np.log(np.maximum(parts, 1e-3))))
    return score * (1.0 if guide.sound.drum else NO_DRUM) * (1.0 if guide.pattern_bars == 1 else LONGER_FIGURE)


def _open(guide: Guide, beats_per_bar: int) -> float:
    """Share of the other beats that could be the 1 as well, by the guide's places alone: 0 when they settle it."""
    n_beats = guide.pattern_bars * beats_per_bar
    places = np.array([(place.bar - 1) * beats_per_bar + place.position_beats for place in guide.places])
    if n_beats < 2:
        return 0.0
    same = sum(_reached(places, (places + shift) % n_beats, n_beats) for shift in range(1, n_beats))
    return same / (n_beats - 1)


def _reached(places: FloatArray, moved: FloatArray, n_beats: int) -> bool:
    """Is each place that has been moved near one of the places, around the pattern?"""
    away = np.abs(moved[:, None] - places)
    return bool((np.minimum(away, n_beats - away).min(axis=1) <= _SAME_PLACE_BEATS).all())
