"""What a person knows about a track, and how to listen to it."""

from __future__ import annotations

from dataclasses import dataclass

from pulsefind.core.corrections import NOTHING_TOLD, Corrections

NETWORKS = ("own", "both", "stock")
"""pulsefind's own network, the same with a second opinion by madmom's, or madmom's alone (not for paid work)."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user knows about a track; hints are honoured exactly. None leaves a question to the sound.

    Attributes
    ----------
    meter : (int, int) or None
        Beats and unit of every bar, like (7, 8).
    bpm_low, bpm_high : float or None
        Bounds of the tempo, in beats per minute.
    one_at_s : float or None
        The time of some 1, in seconds of the recording.
    start_s, end_s : float or None
        The part to analyse, in seconds of the recording.
    use_cache : bool
        Whether to keep what took long, and to use what was kept.
    network : str
        Who listens, out of NETWORKS.
    taps_s : tuple of float
        The times of beats that somebody tapped, in seconds; empty: none.
    taps_count : tuple of int
        Their counts; empty if they weren't counted.
    one_exact : bool
        one_at_s is meant to the millisecond, not found by ear.
    taps_by_ear : bool
        The sound places the taps.
    nudge_ms : float or None
        Moves all beats; negative is earlier.
    corrections : Corrections
        What the song's file says; hints named beside it take precedence (core/obeyed.py).

    Raises
    ------
    HintError
        by `analyse`, if the hints contradict each other or the recording.

    Examples
    --------
    >>> Settings(meter=(12, 8), bpm_low=50, bpm_high=70).beats_per_bar
    4
    >>> Settings().beats_per_bar is None
    True
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
        """The meter given for every bar, here or in the song's file."""
        return self.meter or self.corrections.meter

    @property
    def in_threes(self) -> bool:
        """Is the meter one whose eighths are counted in beats of three (9/8, 12/8)?"""
        return self.told_meter in ((9, 8), (12, 8))

    @property
    def beats_per_bar(self) -> int | None:
        """How many beats a bar counts, if the meter is known: four for 12/8."""
        if self.told_meter is None:
            return None
        return self.told_meter[0] // 3 if self.in_threes else self.told_meter[0]
