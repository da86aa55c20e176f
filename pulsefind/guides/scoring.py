"""How much a player can lean on a guide."""

from __future__ import annotations

import math

import numpy as np

from pulsefind.core.records import FloatArray, Guide

SCORE_WEIGHTS = (0.1, 0.15, 0.5, 0.05, 0.3)
"""Powers of recurrence, audibility, coverage, tightness and clarity in a guide's score. Fitted, like the factors below,
on made songs with and without drums and on made mixes with a figure (eval/sets/drumless.py): by how often the first
guide, and how many of the first three, have an instrument's exact places.
"""

INSTRUMENTS = {"bass": 0.75, "guitar or keys": 0.85}
"""Factor of the score for taught sounds outside the drum kit: the network is surest about drums. Fitted, as above."""

UNTAUGHT, FOLDED = 0.7, 0.4
"""The same for sounds that no network was taught, which are often part of a sound, or of two; and for those that show
only in the folded bars, where no stray hits speak against them. Fitted, as above.
"""

LONGER_FIGURE, ONE_PLACE, MANY_PLACES = 0.85, 0.9, 0.85
"""The same where a figure of two or four bars must be kept in mind, where a whole bar passes before the next hit, and
where more than MOST_PLACES hits in a bar rush by. Fitted, as above.
"""

MOST_PLACES = 5  # judged: more in a bar run by too quickly to be told apart

LEFT_OPEN = 0.1
"""How much a score falls for a guide that could have its 1 on any beat, such as one on all beats (judged: on made songs
0 does as well).
"""

_SAME_PLACE_BEATS = 0.1  # judged: less than half a sixteenth


def score_of(guide: Guide, beats_per_bar: int, folded: bool = False) -> float:
    """How far a player can lean on a guide, 0..1: less if its places leave the 1 open.

    folded: the sound shows only in the folded bars.
    """
    return _parts_score(guide, folded) * (1.0 - LEFT_OPEN * _open(guide, beats_per_bar))


def _parts_score(guide: Guide, folded: bool = False) -> float:
    """The score by its parts, 0..1: a product of powers, lower for what is hard to follow.

    Being a product, no strong part makes up for a missing one.
    """
    parts = np.array([guide.recurrence, guide.audibility, guide.coverage_share, guide.tightness, guide.clarity])
    score = float(np.exp(np.array(SCORE_WEIGHTS) @ np.log(np.maximum(parts, 1e-3))))
    places_a_bar = len(guide.places) / guide.pattern_bars
    handicaps = (
        1.0 if guide.sound.drum else INSTRUMENTS.get(guide.sound.instrument, FOLDED if folded else UNTAUGHT),
        1.0 if guide.pattern_bars == 1 else LONGER_FIGURE,
        ONE_PLACE if places_a_bar <= 1 else MANY_PLACES if places_a_bar > MOST_PLACES else 1.0,
    )
    return score * math.prod(handicaps)


def _open(guide: Guide, beats_per_bar: int) -> float:
    """Share of the other beats that could equally be the 1, by the guide's places alone: 0 if they settle it."""
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
