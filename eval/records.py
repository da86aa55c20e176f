"""What passes between eval's stages: a track with its annotation, a system's answer, and what it cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Reference:
    """What an annotator wrote down.

    beat_s: (n_beats,) increasing times in seconds. count: (n_beats,) 1-based number in the bar, or None where
    the set has no bars. drums: class name to (n_hits,) times in seconds, or None where the set has no drums.
    onsets: the same of each pitched instrument, or None where nobody wrote them down.
    """

    beat_s: FloatArray
    count: IntArray | None
    drums: Mapping[str, FloatArray] | None = None
    onsets: Mapping[str, FloatArray] | None = None

    @property
    def struck(self) -> Mapping[str, FloatArray] | None:
        """What guides are compared with: the drums, or the instruments where there are no drums."""
        return self.onsets if self.drums is None else self.drums


@dataclass(frozen=True, slots=True)
class Track:
    """One recording of a set, with its annotation. kind is "real", "rendered" or "unknown"."""

    set_name: str
    name: str
    audio: Path
    duration_s: float
    reference: Reference
    kind: str
    genre: str | None = None
    has_drums: bool | None = None


@dataclass(frozen=True, slots=True)
class ClaimedGuide:
    """A guide as claimed by a system.

    position: (n_places,) places as bars from the start of the pattern (0.25 is beat 2 of a 4/4 bar, 1.25 the
    same in the second bar); hit_s: (n_hits,) times of its hits in seconds.
    """

    name: str
    pattern_bars: int
    position: FloatArray
    hit_s: FloatArray


@dataclass(frozen=True, slots=True)
class Answer:
    """What a system says about a track; error says why there is no answer.

    beat_s: (n_beats,); count: (n_beats,) or None when the system knows no bars; guides: None when the system
    doesn't look for any. sure: the probabilities that the system gives for its 1, beat phase and tempo octave ("one",
    "half", "octave"), or None if it gives none.
    """

    beat_s: FloatArray
    count: IntArray | None
    guides: tuple[ClaimedGuide, ...] | None = None
    error: str | None = None
    sure: Mapping[str, float] | None = None


@dataclass(frozen=True, slots=True)
class Cost:
    """What one answer cost, for the whole process: wall-clock seconds, processor seconds, peak resident MiB."""

    wall_s: float
    cpu_s: float
    peak_mib: float
