"""Honest progress: what is being done to a song, and how long it will take, judging by other songs on this machine."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
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
"""From this share on, a song's own stages are used to tell how long it takes (judged)."""

_ALIKE = 4.0
"""Only songs within this ratio of lengths are compared: part of the time doesn't depend on the length (judged)."""

_REMEMBERED = 5  # songs; judged


class Pace:
    """How fast this machine is, from the songs that it heard last."""

    def __init__(self) -> None:
        self._heard: deque[tuple[float, float]] = deque(maxlen=_REMEMBERED)

    def heard(self, length_s: float, took_s: float) -> None:
        """Note how long a song of this length took."""
        if length_s > 0:
            self._heard.append((length_s, took_s))

    def whole_s(self, length_s: float | None) -> float | None:
        """How long a song of this length will take; None if its length or a comparable song is missing."""
        if not length_s:
            return None
        alike = [took_s / heard_s for heard_s, took_s in self._heard if 1 / _ALIKE <= length_s / heard_s <= _ALIKE]
        return median(alike) * length_s if alike else None

    def left_s(self, length_s: float | None, stages_s: Mapping[str, float], took_s: float) -> float | None:
        """How long a song will still take, after took_s seconds; stages_s: after how many of them each stage began.

        None if that isn't known, or if the song has already taken longer than expected.
        """
        for whole_s in (self.whole_s(length_s), _whole_by_stages_s(stages_s)):
            if whole_s is not None and took_s < whole_s:
                return whole_s - took_s
        return None


def _whole_by_stages_s(stages_s: Mapping[str, float]) -> float | None:
    """How long a song takes by the beginnings of its own stages: the longest of what they say, None early on.

    A song may be slow in one stage and quick in the next; of two estimates the longer one disappoints nobody.
    """
    shares = {stage: STAGES.get(stage, ("", 0.0))[1] for stage in stages_s}
    return max((stages_s[one] / share for one, share in shares.items() if share >= _FEWEST_SHARE), default=None)
