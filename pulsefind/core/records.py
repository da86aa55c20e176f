"""The frozen records that the stages hand on to each other.

One way: Audio -> Activations -> Pulse -> Beats -> Bars -> Grid, Audio -> Hits, all of them -> Guides ->
Analysis. All of them are imported from here; those of what is heard are written down in heard.py, settings in
settings.py. A record checks its arrays when it is made (shape, order, no NaN), so that a stage may trust what it is
given. Times are float64 seconds from the first sample of the file as decoded; units stand in the names.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.arrays import FloatArray, IntArray, check_increasing, check_lengths, freeze, most_common, runs
from pulsefind.core.corrections import form_at
from pulsefind.core.heard import (
    STRUCK_COLUMNS,
    Activations,
    Alternative,
    Audio,
    Harmony,
    Hits,
    Pulse,
    SectionConfidence,
    Sound,
)
from pulsefind.core.settings import Settings

__all__ = [
    "FEWEST_FOR_TEMPO",
    "STRUCK_COLUMNS",
    "Activations",
    "Alternative",
    "Analysis",
    "Audio",
    "Bars",
    "Beats",
    "Confidence",
    "FloatArray",
    "Grid",
    "GridSection",
    "Guide",
    "GuideHits",
    "Harmony",
    "Hits",
    "IntArray",
    "Misreading",
    "Place",
    "Pulse",
    "SectionConfidence",
    "Settings",
    "Sound",
    "Stretch",
    "Tempo",
    "Track",
]

_PerBar = TypeVar("_PerBar")

FEWEST_FOR_TEMPO = 3
"""Fewer beats than this have no tempo, which is then 0 (judged)."""


@dataclass(frozen=True, slots=True)
class Beats:
    """Beat times placed on the sound.

    time_s, confidence (0..1) and carried: (n_beats,). A carried beat has no sound of its own: its time
    follows from its neighbours.
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
class Bars:
    """The bars that the beats form.

    first_beat: (n_bars,) index of the bar's first beat; beats: (n_bars,) how many beats of it sound;
    beats_per_bar: (n_bars,) how many a full bar of its meter has; start_s: (n_bars,) its start;
    number: (n_bars,) 1 for the first full bar, 0 for a pickup. count: (n_beats,), 1-based.
    A pickup bar starts with a count above 1. end_s is where the last bar ends. unit is the note value counted.
    beat_quarters: (n_bars,) how many quarter notes a beat of each bar lasts; empty where all last the same.
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
        """The meter of a bar as it is written, for example '7/8'."""
        beats = int(self.beats_per_bar[bar])
        if len(self.beat_quarters) and self.beat_quarters[bar] == 1.5:
            return f"{3 * beats}/8"
        return f"{beats}/{int(self.units[bar])}"

    @property
    def units(self) -> IntArray:
        """(n_bars,) the note value that each bar counts; of beats of three eighths it is the eighth."""
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
        """(n_beats + 1,) the beats and the end of the last bar, in seconds: between two of them lies one beat."""
        return np.append(beats.time_s, self.end_s)

    def stretch(self, first_bar: int, last_bar: int) -> Stretch:
        """Bars first_bar..last_bar (indices, both included) with their times."""
        return Stretch(first_bar, last_bar, float(self.start_s[first_bar]), float(self.ends_s[last_bar]))

    def stretches(self, mask: NDArray[np.bool_]) -> tuple[Stretch, ...]:
        """The runs of marked bars; mask is (n_bars,)."""
        return tuple(self.stretch(first, last) for first, last in runs(mask))

    def with_neighbours(self, values: list[_PerBar]) -> list[_PerBar]:
        """One value per bar; a pickup, or a last bar that is cut off, takes that of the bar beside it."""
        values = list(values)
        if len(values) > 1 and self.has_pickup:
            values[0] = values[1]
        if len(values) > 1 and self.beats[-1] < self.beats_per_bar[-1]:
            values[-1] = values[-2]
        return values


@dataclass(frozen=True, slots=True)
class GridSection:
    """Bars first_bar..last_bar (indices, both included) that share one subdivision.

    slots_per_beat is 1, 2, 3, 4 or 6. swing_ratio is long : short of the swung pair, 1.0 when straight.
    """

    first_bar: int
    last_bar: int
    slots_per_beat: int
    swing_ratio: float


@dataclass(frozen=True, slots=True)
class Grid:
    """The subdivision that the track really uses, section by section; empty when there are no bars."""

    sections: tuple[GridSection, ...]

    def at(self, bar: int) -> GridSection:
        """The section that holds a bar (index)."""
        for section in self.sections:
            if section.first_bar <= bar <= section.last_bar:
                return section
        raise IndexError(f"no grid section holds bar index {bar}")


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a guide.

    label is the spoken count ('2&'); bar (1-based) the bar of the pattern it falls in; position_beats its
    distance from that bar's 1 in beats; hit_rate the share of bars in which it is struck; offset_ms the mean
    distance of its hits from the place (negative is early) and spread_ms their standard deviation.
    """

    label: str
    bar: int
    position_beats: float
    hit_rate: float
    offset_ms: float
    spread_ms: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """A run of bars first_bar..last_bar (indices, both included), from start_s to end_s."""

    first_bar: int
    last_bar: int
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class GuideHits:
    """The hits of one guide: time_s (n,), bar index (n,), nearest place label (n,), on_pattern (n,)."""

    time_s: FloatArray
    bar: IntArray
    place: tuple[str, ...]
    on_pattern: NDArray[np.bool_]

    def __post_init__(self) -> None:
        """Check order and lengths."""
        freeze(self, "time_s")
        freeze(self, "bar", dtype=np.int64)
        freeze(self, "on_pattern", dtype=np.bool_)
        check_increasing(self, "time_s", strictly=False)
        check_lengths(self, "time_s", "bar", "place", "on_pattern")


@dataclass(frozen=True, slots=True)
class Guide:
    """A recurring percussive sound with known places: something to follow.

    name describes the sound plainly. places repeat every pattern_bars bars. recurrence, audibility, tightness
    and coverage_share are the parts (0..1) of its score, and so is clarity: how far its places stand out from those
    between them. loudness_db is the median level of its hits over the rest of the mix in its own band. coverage lists
    the stretches of bars in which it can be followed.
    """

    name: str
    sound: Sound
    pattern_bars: int
    places: tuple[Place, ...]
    hits: GuideHits
    coverage: tuple[Stretch, ...]
    loudness_db: float
    recurrence: float
    audibility: float
    tightness: float
    coverage_share: float
    score: float
    clarity: float = 1.0


@dataclass(frozen=True, slots=True)
class Tempo:
    """Tempo over time: bpm is the median; bar_bpm (n_bars,) that of each bar.

    drift_percent is the slow change over the track (5th to 95th percentile of the smoothed tempo, as a share
    of the median); jitter_ms the standard deviation of single beats around that smooth course.
    """

    bpm: float
    bar_bpm: FloatArray
    drift_percent: float
    jitter_ms: float

    def __post_init__(self) -> None:
        """Check the curve."""
        freeze(self, "bar_bpm")


@dataclass(frozen=True, slots=True)
class Confidence:
    """How likely it is that the 1, the tempo octave, the meter and the beat phase are as reported, 0..1 each.

    one is the probability that all four are right: in the wrong beat phase, in the wrong meter or at the wrong octave
    the 1s are wrong. sections say it section by section, given meter and octave. half is the beat phase (which of the
    two halves of a beat is the beat), by the name it is saved under.
    """

    one: float
    octave: float
    meter: float
    half: float = 1.0
    sections: tuple[SectionConfidence, ...] = ()


@dataclass(frozen=True, slots=True)
class Misreading:
    """Another way in which a guide could be heard: what it is taken for, the tempo this suggests, and the cue.

    guide is the guide's index; tempting (0..1) says how easily a listener falls into it; kind names the rule of
    misreadings.py that found it.
    """

    guide: int
    heard_as: str
    bpm: float
    tempting: float
    cue: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Track:
    """The recording that was analysed; start_s and end_s bound the part that was looked at."""

    name: str
    duration_s: float
    start_s: float
    end_s: float
    channels: int
    rate_hz: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything that pulsefind knows about one track. Empty beats mean that no steady beat was found.

    plan has an entry for each bar: the guide to follow (its index), or None where the drummer is alone.
    """

    track: Track
    beats: Beats
    bars: Bars
    grid: Grid
    tempo: Tempo
    guides: tuple[Guide, ...]
    alone: tuple[Stretch, ...]
    plan: tuple[int | None, ...]
    misreadings: tuple[Misreading, ...]
    confidence: Confidence
    alternatives: tuple[Alternative, ...]
    settings: Settings
    warnings: tuple[str, ...] = field(default=())

    def meter(self, bar: int) -> str:
        """The meter of a bar as it is written: bars of four beats of three are '12/8'."""
        form = form_at(self.settings.corrections.passages, int(self.bars.number[bar]))
        if form is not None and form.beats == self.bars.beats_per_bar[bar]:
            return form.meter
        if self.settings.in_threes and not len(self.bars.beat_quarters):
            return f"{3 * int(self.bars.beats_per_bar[bar])}/8"
        return self.bars.meter(bar)

    @property
    def usual_meter(self) -> str:
        """The meter that most bars have, as it is written; there must be bars."""
        meters = [self.meter(bar) for bar in range(len(self.bars.beats))]
        return max(dict.fromkeys(meters), key=meters.count)

    @property
    def edges_s(self) -> FloatArray:
        """(n_beats + 1,) the beats and the end of the last bar, in seconds."""
        return self.bars.edges_s(self.beats)

    @property
    def beat_quarters(self) -> FloatArray:
        """(n_bars,) how many quarter notes a beat of each bar lasts as it is written."""
        if len(self.bars.beat_quarters):
            return self.bars.beat_quarters
        return np.full(len(self.bars.beats), 1.5 if self.settings.in_threes else 4 / self.bars.unit)
