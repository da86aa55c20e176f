"""A guide in a drummer's words: how often it is there, how tight, how loud, what it tells, what it is taken for."""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import Analysis, Guide, Misreading
from pulsefind.guides.misreadings import fixes

_OFTEN = ((9, 10), (4, 5), (3, 4), (2, 3), (3, 5), (1, 2))  # judged: fractions that are said aloud
_ALWAYS = 0.95  # judged: from here on it is every bar

_DEAD_ON_MS = 6.0
"""The smallest displacement that listeners notice (Friberg and Sundberg 1995)."""

_PLAINLY_OFF_MS = 20.0
"""Between kick, snare and hi-hat, drummers notice 19 to 24 ms (from memory, as in a take's review)."""

EASY_DB, CLEAR_DB = 12.0, 7.0
"""Levels above what sounded just before from which a sound is easy to hear, and clear (judged)."""


def how_often(share: float) -> str:
    """A share of bars in words: how_often(0.8) is 'in 4 of 5 bars'."""
    if share >= _ALWAYS:
        return "in every bar"
    part, whole = min(_OFTEN, key=lambda pair: abs(pair[0] / pair[1] - share))
    return "in every other bar" if whole == 2 else f"in {part} of {whole} bars"


def how_tight(offset_ms: float, spread_ms: float) -> str:
    """Where the hits lie against the count, in words: 'dead on', 'a hair late', 'early, loose'."""
    way = "early" if offset_ms < 0 else "late"
    if abs(offset_ms) < _DEAD_ON_MS:
        told = "dead on" if spread_ms < _PLAINLY_OFF_MS else "on the beat"
    else:
        told = f"a hair {way}" if abs(offset_ms) < _PLAINLY_OFF_MS else f"plainly {way}"
    return told if spread_ms < _PLAINLY_OFF_MS else f"{told} but loose"


def how_loud(guide: Guide) -> str:
    """'easy to hear', 'clear' or 'faint'."""
    level_db = guide.loudness_db
    return "easy to hear" if level_db >= EASY_DB else "clear" if level_db >= CLEAR_DB else "faint"


def reliable(guide: Guide) -> str:
    """How a guide behaves: 'in 4 of 5 bars, dead on, easy to hear'."""
    places = guide.places
    often, offset_ms, spread_ms = (
        float(np.mean([getattr(place, name) for place in places])) for name in ("hit_rate", "offset_ms", "spread_ms")
    )
    return f"{how_often(often)}, {how_tight(offset_ms, spread_ms)}, {how_loud(guide)}"


def tells(guide: Guide, analysis: Analysis) -> str:
    """What a guide tells by itself: 'where the 1 is', 'the beat, but not the 1' ..."""
    return TELLS[fixes(guide, analysis.bars, analysis.tempo)]


TELLS = {
    "the 1": "where the 1 is",
    "the half bar": "the beat, and two counts of which one is the 1",
    "the beat": "the beat, but not the 1",
    "": "only an even pulse",
}


def mishearings(analysis: Analysis, guide: int) -> tuple[str, ...]:
    """What a guide is easy to mishear as, the most tempting first: 'as slow beats (at 85): say the counts ...'."""
    return tuple(misheard(one) for one in analysis.misreadings if one.guide == guide)


def misheard(one: Misreading) -> str:
    """One mishearing and what tells it apart."""
    return f"as {one.heard_as} (at {one.bpm:.0f}): {one.cue}."


def easiest_and_surest(analysis: Analysis) -> tuple[int, int] | None:
    """The guide that is easiest to hear and the one that says most about the 1; None if they are the same."""
    guides = analysis.guides
    if len(guides) < 2:
        return None
    settled = [fixes(guide, analysis.bars, analysis.tempo) for guide in guides]
    easiest = _first_at_the_top([guide.audibility * guide.coverage_share for guide in guides])
    surest = _first_at_the_top([guide.score * _telling(what) for guide, what in zip(guides, settled, strict=True)])
    return None if easiest == surest else (easiest, surest)


def _first_at_the_top(values: list[float]) -> int:
    """The first one as good as the best: a difference below 3 % isn't worth another line."""
    return next(k for k, value in enumerate(values) if value >= 0.97 * max(values))


def _telling(settled: str) -> float:
    """1 for a sound that settles the 1, halved for each doubt that it leaves."""
    return {"the 1": 1.0, "the half bar": 0.5, "the beat": 0.25}.get(settled, 0.125)
