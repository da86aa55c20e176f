"""What a person knows about a track, and how it is to be listened to."""

from __future__ import annotations

from dataclasses import dataclass

from pulsefind.core.corrections import NOTHING_TOLD, Corrections

NETWORKS = ("own", "both", "stock")
"""pulsefind's own network, the same with a second opinion by madmom's, or madmom's alone (not for paid work)."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user knows: hints are honoured exactly.

    meter: (beats, unit) of every bar; bpm_low and bpm_high bound the tempo; one_at_s is the time of some 1;
    start_s and end_s bound the part to analyse. None leaves the question to the sound. network names who
    listens (NETWORKS). taps_s are the times of beats that somebody tapped, taps_count their counts,
    or nothing where they weren't counted. one_exact: one_at_s is meant to the millisecond, not found by ear;
    taps_by_ear: the sound places the taps. nudge_ms moves the whole grid. corrections are what the song's file says;
    what is named beside them goes before them (core/obeyed.py).
    """

    meter: tuple[int, int] | None = None
    bpm_low: float | None = None
    bpm_high: float | None = None
    one_at_s: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    use_cache: bool = True
    network: str = "own"
    taps_s: tuple[float, ...] = ()
    taps_count: tuple[int, ...] = ()
    one_exact: bool = False
    taps_by_ear: bool = False
    nudge_ms: float | None = None
    corrections: Corrections = NOTHING_TOLD

    @property
    def told_meter(self) -> tuple[int, int] | None:
        """The meter of every bar as it was named, here or in the song's file."""
        return self.meter or self.corrections.meter

    @property
    def in_threes(self) -> bool:
        """Is the meter one whose eighths are counted in beats of three (9/8, 12/8)?"""
        return self.told_meter in ((9, 8), (12, 8))

    @property
    def beats_per_bar(self) -> int | None:
        """How many beats a bar is counted in, if the meter is known: four for 12/8."""
        if self.told_meter is None:
            return None
        return self.told_meter[0] // 3 if self.in_threes else self.told_meter[0]
