"""Every way to read the beats found: as they are, half a beat later, two or three times as quick or slow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pulsefind.core.records import FloatArray

BPM_LOW, BPM_HIGH = 38.0, 290.0
"""Beyond these nobody counts (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Each beat is split into `parts`; every so many of these is a beat of the reading, from number `first` on."""

    parts: int
    every: int
    first: int

    @property
    def ratio(self) -> float:
        """Its tempo over that of the beats as found."""
        return self.parts / self.every


READINGS = (
    Reading(1, 1, 0),
    Reading(2, 2, 1),
    Reading(2, 1, 0),
    Reading(1, 2, 0),
    Reading(1, 2, 1),
    Reading(3, 1, 0),
    *(Reading(1, 3, first) for first in range(3)),
    *(Reading(3, 2, first) for first in range(2)),
    *(Reading(2, 3, first) for first in range(3)),
)
"""The first is the beats as found; the others are what beat trackers get wrong: octaves, halves, twos for threes."""


def read_as(reading: Reading, time_s: FloatArray) -> FloatArray:
    """The beats of a reading of the beats time_s (n_beats,), in seconds; fewer than two beats have no other reading."""
    n = len(time_s)
    if n < 2:
        return time_s
    fine: FloatArray = np.interp(np.arange(reading.parts * (n - 1) + 1) / reading.parts, np.arange(n), time_s)
    return fine[reading.first :: reading.every]


def possible(time_s: FloatArray, least: int) -> list[Reading]:
    """The readings whose tempo can be counted, and that have at least so many beats."""
    if len(time_s) < 2:
        return []
    bpm = 60 / float(np.median(np.diff(time_s)))
    return [
        reading
        for reading in READINGS
        if BPM_LOW <= bpm * reading.ratio <= BPM_HIGH and len(read_as(reading, time_s)) >= least
    ]
