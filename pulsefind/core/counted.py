"""The frozen records of what is counted: beats, bars, the grid within the beat, and the tempo.

They check their arrays when they are made, like all records (records.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.arrays import FloatArray, IntArray, check_increasing, check_lengths, freeze, most_common, runs

_PerBar = TypeVar("_PerBar")

FEWEST_FOR_TEMPO = 3
"""Fewer beats than this have no tempo, which is then 0 (judged)."""


@dataclass(frozen=True, slots=True)
class Beats:
    """Beat times placed on the sound.

    Attributes
    ----------
    time_s : (n_beats,) array of float
        When, in seconds, increasing.
    confidence : (n_beats,) array of float
        How clearly each beat was heard, 0..1.
    carried : (n_beats,) array of bool
        Whether a beat has no sound of its own, so that its time follows from its neighbours.
    """

    time_s: FloatArray
    confidence: FloatArray
    carried: NDArray[np.bool_]

    def __post_init__(self) -> None:
        """Check order and range."""
        freeze(self, "time_s", "confidence")
        freeze(self, "carried", dtype=np.bool_)
        check_increasing(self, "time_s")
        check_lengths(self, "time_s", "confidence", "carried")
        if ((self.confidence < 0) | (self.confidence > 1)).any():
            raise ValueError("confidence must lie within 0..1")


@dataclass(frozen=True, slots=True)
class Stretch:
    """A run of bars.

    Attributes
    ----------
    first_bar, last_bar : int
        Indices of its bars, both included.
    start_s, end_s : float
        From when to when, in seconds.
    """

    first_bar: int
    last_bar: int
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Bars:
    """The bars that the beats form.

    Attributes
    ----------
    first_beat : (n_bars,) array of int
        Index of each bar's first beat.
    beats : (n_bars,) array of int
        How many beats of it there are: fewer than a full bar's in a pickup, or where the last bar is cut short.
    beats_per_bar : (n_bars,) array of int
        How many a full bar of its meter has.
    start_s : (n_bars,) array of float
        When it starts, in seconds.
    number : (n_bars,) array of int
        1 for the first full bar, 0 for a pickup.
    count : (n_beats,) array of int
        The count of each beat, from 1; a pickup starts above 1.
    end_s : float
        When the last bar ends, in seconds.
    unit : int
        The note value that is counted: 4 for quarters.
    beat_quarters : (n_bars,) array of float
        How many quarter notes a beat of each bar lasts; empty where all last the same.
    """

    first_beat: IntArray
    beats: IntArray
    beats_per_bar: IntArray
    start_s: FloatArray
    number: IntArray
    count: IntArray
    end_s: float
    unit: int
    beat_quarters: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Check that the bars cover the beats without a gap."""
        freeze(self, "first_beat", "beats", "beats_per_bar", "number", "count", dtype=np.int64)
        freeze(self, "start_s", "beat_quarters")
        if len(self.beat_quarters) not in (0, len(self.beats)):
            raise ValueError("beats and beat_quarters differ in length")
        if int(self.beats.sum()) != len(self.count):
            raise ValueError("the bars' beats don't add up to the number of beats")
        if not np.array_equal(self.first_beat, np.r_[0, np.cumsum(self.beats)[:-1]][: len(self.beats)]):
            raise ValueError("first_beat doesn't follow from beats")

    def meter(self, bar: int) -> str:
        """The meter of a bar as written, for example '7/8'."""
        beats = int(self.beats_per_bar[bar])
        if len(self.beat_quarters) and self.beat_quarters[bar] == 1.5:
            return f"{3 * beats}/8"
        return f"{beats}/{int(self.units[bar])}"

    @property
    def units(self) -> IntArray:
        """(n_bars,) the note value that each bar counts; the eighth for beats of three eighths."""
        if not len(self.beat_quarters):
            return np.full(len(self.beats), self.unit)
        return np.where(self.beat_quarters == 1.5, 8, 4 / self.beat_quarters).astype(np.int64)

    @property
    def ends_s(self) -> FloatArray:
        """(n_bars,) where each bar ends, in seconds: where the next one starts, the last at end_s."""
        return np.append(self.start_s[1:], self.end_s) if len(self.start_s) else np.zeros(0)

    @property
    def usual_beats(self) -> int:
        """Beats of a full bar of the meter that most bars have; 0 where there are no bars."""
        return most_common(self.beats_per_bar)

    @property
    def has_pickup(self) -> bool:
        """Whether the first bar is a pickup."""
        return len(self.number) > 0 and bool(self.number[0] == 0)

    @property
    def bar_of_beat(self) -> IntArray:
        """(n_beats,) index of the bar that holds each beat."""
        return np.repeat(np.arange(len(self.beats)), self.beats)

    def edges_s(self, beats: Beats) -> FloatArray:
        """(n_beats + 1,) the beats and the end of the last bar, in seconds: the bounds of every beat."""
        return np.append(beats.time_s, self.end_s)

    def stretch(self, first_bar: int, last_bar: int) -> Stretch:
        """Bars first_bar..last_bar (indices, both included) with their times."""
        return Stretch(first_bar, last_bar, float(self.start_s[first_bar]), float(self.ends_s[last_bar]))

    def stretches(self, mask: NDArray[np.bool_]) -> tuple[Stretch, ...]:
        """The runs of marked bars; mask is (n_bars,)."""
        return tuple(self.stretch(first, last) for first, last in runs(mask))

    def with_neighbours(self, values: list[_PerBar]) -> list[_PerBar]:
        """One value per bar; a pickup, or a last bar cut short, takes its neighbour's."""
        values = list(values)
        if len(values) > 1 and self.has_pickup:
            values[0] = values[1]
        if len(values) > 1 and self.beats[-1] < self.beats_per_bar[-1]:
            values[-1] = values[-2]
        return values


@dataclass(frozen=True, slots=True)
class GridSection:
    """Bars that share one subdivision of the beat.

    Attributes
    ----------
    first_bar, last_bar : int
        Indices of its bars, both included.
    slots_per_beat : int
        1, 2, 3, 4 or 6.
    swing_ratio : float
        Long : short of the swung pair, 1.0 when straight.
    """

    first_bar: int
    last_bar: int
    slots_per_beat: int
    swing_ratio: float


@dataclass(frozen=True, slots=True)
class Grid:
    """The subdivision that the track really uses.

    Attributes
    ----------
    sections : tuple of GridSection
        Section by section, covering all bars; empty without bars.
    """

    sections: tuple[GridSection, ...]

    def at(self, bar: int) -> GridSection:
        """The section that holds a bar (index)."""
        for section in self.sections:
            if section.first_bar <= bar <= section.last_bar:
                return section
        raise IndexError(f"no grid section holds bar index {bar}")


@dataclass(frozen=True, slots=True)
class Tempo:
    """Tempo over time.

    Attributes
    ----------
    bpm : float
        The median, in beats per minute; 0 with fewer than three beats.
    bar_bpm : (n_bars,) array of float
        That of each bar.
    drift_percent : float
        The slow change over the track: 5th to 95th percentile of the smoothed tempo, as a share of the median.
    jitter_ms : float
        Standard deviation of single beats around the smooth course.
    """

    bpm: float
    bar_bpm: FloatArray
    drift_percent: float
    jitter_ms: float

    def __post_init__(self) -> None:
        """Check the curve."""
        freeze(self, "bar_bpm")
