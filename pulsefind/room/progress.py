"""How far a song is, honestly: what is being done, and how long it takes by what this machine took for others."""

from __future__ import annotations

from collections import deque
from statistics import median

STAGES = {
    "reading": ("opening it", 0.0),
    "listening": ("listening to it", 0.1),
    "counting": ("finding the beat and the 1", 0.69),
    "finding hits": ("picking out single sounds", 0.79),
    "looking for guides": ("looking for a sound to follow", 0.8),
    "drawing its page": ("drawing its page", 0.84),
}
"""What to say of each stage of an analysis, and the share of its time that is over when it begins: measured, medians of
four songs of 13 s to 10 min in a room on two cores, without a cache."""

_FEWEST_SHARE = 0.3
"""A song's own stages tell how long it takes once so much is over (judged)."""

_ALIKE = 4.0
"""Songs so many times longer, or shorter, than those that were heard tell nothing of it: every song takes a moment
that doesn't depend on its length (judged)."""

_REMEMBERED = 5  # songs; judged


class Pace:
    """How long this machine takes for a second of music, from the songs that it has just heard."""

    def __init__(self) -> None:
        self._heard: deque[tuple[float, float]] = deque(maxlen=_REMEMBERED)

    def heard(self, length_s: float, took_s: float) -> None:
        """A song of this length took so long."""
        if length_s > 0:
            self._heard.append((length_s, took_s))

    def whole_s(self, length_s: float | None) -> float | None:
        """How long a song of this length will take; None while none like it was heard, or the length isn't known."""
        if not length_s:
            return None
        alike = [took_s / heard_s for heard_s, took_s in self._heard if 1 / _ALIKE <= length_s / heard_s <= _ALIKE]
        return median(alike) * length_s if alike else None

    def left_s(self, length_s: float | None, stage: str, took_s: float, stage_s: float) -> float | None:
        """How long a song still takes that took so long until now, and for stage_s is where it is.

        None where that isn't known, or where it has taken longer already than was to be expected.
        """
        share = STAGES.get(stage, ("", 0.0))[1]
        own = (took_s - stage_s) / share if share >= _FEWEST_SHARE else None
        for whole_s in (self.whole_s(length_s), own):
            if whole_s is not None and took_s < whole_s:
                return whole_s - took_s
        return None
