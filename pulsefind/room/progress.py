"""How far a song is, honestly: what is being done, and how long it takes by what this machine took for others."""

from __future__ import annotations

from collections import deque
from statistics import median

STAGES = {
    "reading": ("opening it", 0.0),
    "listening": ("listening to it", 0.04),
    "counting": ("finding the beat and the 1", 0.46),
    "finding hits": ("picking out single sounds", 0.92),
    "looking for guides": ("looking for a sound to follow", 0.93),
    "drawing its page": ("drawing its page", 0.97),
}
"""Words for what an analysis tells, and the share of its time that is over then, measured: medians of three songs of
37 s to 224 s on two cores (`analyse`, without the cache)."""

_FEWEST_SHARE = 0.3
"""A song's own stages tell how long it takes once so much is over (judged)."""

_REMEMBERED = 5  # songs; judged


class Pace:
    """How long this machine takes for a second of music, from the songs that it has just heard."""

    def __init__(self) -> None:
        self._taken: deque[float] = deque(maxlen=_REMEMBERED)

    def heard(self, length_s: float, took_s: float) -> None:
        """A song of this length took so long."""
        if length_s > 0:
            self._taken.append(took_s / length_s)

    def whole_s(self, length_s: float | None) -> float | None:
        """How long a song of this length will take; None while nothing was heard, or the length isn't known."""
        return median(self._taken) * length_s if self._taken and length_s else None

    def left_s(self, length_s: float | None, stage: str, took_s: float, stage_s: float) -> float | None:
        """How long a song still takes that took so long until now, and for stage_s is where it is; None: not known."""
        share = STAGES.get(stage, ("", 0.0))[1]
        whole_s = self.whole_s(length_s)
        if whole_s is None and share >= _FEWEST_SHARE:
            whole_s = (took_s - stage_s) / share
        return None if whole_s is None else max(0.0, whole_s - took_s)
