"""The frozen records of the take review: TakeHits -> Alignment -> Strokes -> Timing, Movement -> Review.

Three clocks meet here. Take time is what the recording's own clock counted; track time is seconds from the first sample
of the track; nominal time is where the grid expects a note. Offsets are played minus nominal, so negative is early.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.arrays import check_increasing, check_lengths, freeze
from pulsefind.core.errors import PulsefindError
from pulsefind.core.records import FloatArray, GridSection, IntArray

KINDS = ("kick", "snare", "tom", "hat", "cymbal", "other")
"""What a hit may be. From sound alone only kick, snare and cymbal (hi-hat included) are told apart."""


NOTHING_SPECIAL = "the same with less help"
"""What to practise where nothing stands out."""


class TakeError(PulsefindError):
    """A take that can't be read or holds nothing that can be reviewed."""


@dataclass(frozen=True, slots=True)
class TakeHits:
    """What was played, in take time: time_s, kind (a name out of KINDS) and level, (n_hits,) each.

    level_unit is "velocity" (MIDI, 1..127) or "dB" (audio, relative to the take's loud hits of that kind; a cymbal
    under a snare has the snare's, whose wires fill the same bands). source is "audio" or "midi"; notes say what a
    reader should know about how it was read. faint holds what may have been strokes too, but is too faint to tell by
    sound alone; None where nothing is in doubt. log_odds (n_hits,), of faint hits: that each was played, by sound
    alone; None where that isn't known.
    """

    time_s: FloatArray
    kind: tuple[str, ...]
    level: FloatArray
    level_unit: str
    duration_s: float
    source: str
    notes: tuple[str, ...] = ()
    faint: TakeHits | None = None
    log_odds: FloatArray | None = None

    def __post_init__(self) -> None:
        """Check order, lengths and names."""
        freeze(self, "time_s", "level")
        if self.log_odds is not None:
            freeze(self, "log_odds")
            check_lengths(self, "time_s", "log_odds")
        check_increasing(self, "time_s", strictly=False)
        n = check_lengths(self, "time_s", "level", "kind")
        if not set(self.kind) <= set(KINDS):
            raise ValueError(f"kind needs {n} names out of {', '.join(KINDS)}")


@dataclass(frozen=True, slots=True)
class StartCandidate:
    """One way to lay the take on the track.

    starts_at_s: track time at which the recording starts; clock_ppm: how fast its clock runs (positive: it
    counts more seconds than passed); first_bar: the bar number (0: before the first full bar) in which the first
    hit then falls; probability among all candidates.
    """

    starts_at_s: float
    clock_ppm: float
    first_bar: int
    probability: float


@dataclass(frozen=True, slots=True)
class Alignment:
    """How the take lies on the track.

    method: "leak" (the track is heard in the take), "hits" (best fit to the grid), "given" (--starts-at), or
    "none" (it can't be told; reason says why). candidates come most likely first; when chosen is False there are
    several, and none of them was taken. offset_known: whether the overall offset is real, or was absorbed by the fit.
    latency_ms: what the recording chain adds, known where there is both a leak and --starts-at.
    """

    method: str
    starts_at_s: float
    clock_ppm: float
    chosen: bool
    offset_known: bool
    candidates: tuple[StartCandidate, ...]
    latency_ms: float | None
    reason: str

    def to_track(self, take_time_s: FloatArray) -> FloatArray:
        """Take time (n,) as track time (n,)."""
        time_s: FloatArray = self.starts_at_s + np.asarray(take_time_s) / (1.0 + 1e-6 * self.clock_ppm)
        return time_s


@dataclass(frozen=True, slots=True)
class Played:
    """Hits that were matched to a place, in order of time: (n,) each.

    time_s (track time), nominal_s, offset_ms, bar (index), position_beats (from the bar's 1), place (spoken
    count), kind, level, ghost (much softer than that kind's usual hit).
    """

    time_s: FloatArray
    nominal_s: FloatArray
    offset_ms: FloatArray
    bar: IntArray
    position_beats: FloatArray
    place: tuple[str, ...]
    kind: tuple[str, ...]
    level: FloatArray
    ghost: NDArray[np.bool_]

    def __post_init__(self) -> None:
        """Check order and lengths."""
        columns = ("time_s", "nominal_s", "offset_ms", "position_beats", "level")
        freeze(self, *columns)
        freeze(self, "bar", dtype=np.int64)
        freeze(self, "ghost", dtype=np.bool_)
        check_increasing(self, "time_s", strictly=False)
        check_lengths(self, *columns, "bar", "ghost", "place", "kind")


@dataclass(frozen=True, slots=True)
class Stray:
    """A hit on no place: reason is "extra", "flam" (a grace note before a hit) or "outside" (of the bars)."""

    time_s: float
    kind: str
    reason: str


@dataclass(frozen=True, slots=True)
class Missed:
    """A note of the player's own pattern that was not struck in a bar (index): its nominal time, place and kind."""

    time_s: float
    bar: int
    place: str
    kind: str


@dataclass(frozen=True, slots=True)
class Summary:
    """Mean offset, spread (standard deviation) and number of some hits. Nothing played: n = 0 and zeros."""

    offset_ms: float
    spread_ms: float
    n: int


@dataclass(frozen=True, slots=True)
class PlaceSummary:
    """One place and kind: offsets, how many bars were played, mean level, and a histogram.

    level is None where the hits' own level can't be heard: cymbals under snares in a recording.
    histogram counts the offsets in the bins that Timing.histogram_edges_ms bounds.
    """

    place: str
    position_beats: float
    kind: str
    offsets: Summary
    bars: int
    level: float | None
    histogram: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A run of bars (numbered as in the report) with a guide, alone, or in a fill, and the offsets of its hits."""

    name: str
    first_bar: int
    last_bar: int
    start_s: float
    end_s: float
    offsets: Summary


@dataclass(frozen=True, slots=True)
class Drift:
    """How the tempo moved in one stretch alone.

    ms_per_bar: slope of the offset (negative: the player was faster); error_ms: its standard error; player_bpm and
    track_bpm: both tempi; end_offset_ms: how far off the player was when the stretch ended; back_after_bars: bars until
    they were back, None if never.
    """

    first_bar: int
    last_bar: int
    ms_per_bar: float
    error_ms: float
    player_bpm: float
    track_bpm: float
    end_offset_ms: float
    back_after_bars: int | None


@dataclass(frozen=True, slots=True)
class CorrectionNote:
    """One space between notes of a correction, in ms: as written, as played, and scaled evenly; and its place."""

    place: str
    nominal_ms: float
    played_ms: float
    even_ms: float


@dataclass(frozen=True, slots=True)
class Correction:
    """An error that was corrected.

    cause is "alone" or "slip"; size_ms is the change of the offset (negative: moved earlier); bars: how many bars it
    took; spread_share: 1 if every space of these bars was scaled by the same ratio, 0 if one space took all of it;
    stretch: that ratio (1.1: 11 is played for every 10 written); notes: what a drawing of it needs.
    """

    cause: str
    first_bar: int
    last_bar: int
    start_s: float
    end_s: float
    size_ms: float
    bars: int
    spread_share: float
    stretch: float
    notes: tuple[CorrectionNote, ...]


@dataclass(frozen=True, slots=True)
class Gains:
    """Linear phase and period correction of one voice, from one note of the series to the next.

    phase_gain is the share of an error corrected at the next note, period_gain the share passed on to the timekeeper's
    period (None where the simpler model was fitted). The biases are the estimator's mean errors at this length, from
    simulation, and are not taken off; the errors are standard errors.
    """

    voice: str
    interval_beats: float
    n: int
    blocks: int
    phase_gain: float
    phase_error: float
    phase_bias: float
    period_gain: float | None
    period_error: float | None
    period_bias: float | None
    timekeeper_sd_ms: float
    motor_sd_ms: float


@dataclass(frozen=True, slots=True)
class SwingSection:
    """The player's and the track's swing ratio in a run of bars (numbers), from n pairs; error: the standard error."""

    first_bar: int
    last_bar: int
    player_ratio: float
    error: float
    track_ratio: float
    n: int


@dataclass(frozen=True, slots=True)
class Practice:
    """One thing to practise next, why, and the command that makes that exercise."""

    what: str
    why: str
    command: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth practising, as a teacher would say it.

    kind: "creep", "slip", "late return", "rushed fill", "uneven", "apart" or "fading"; first_bar, last_bar: numbers as
    in the report; size_ms (negative: early; 0 where it isn't a time); what and why in words; command makes the drill.
    """

    kind: str
    first_bar: int
    last_bar: int
    size_ms: float
    what: str
    why: str
    command: str


@dataclass(frozen=True, slots=True)
class GridDoubt:
    """The counts are likely wrong, not the player.

    size: in words; shift_beats: how much later the 1 comes in the other reading; shift_ms: how much later all beats
    lie; why: the evidence; command: reviews the take with that reading.
    """

    size: str
    shift_beats: float
    shift_ms: float
    why: str
    command: str


@dataclass(frozen=True, slots=True)
class Subject:
    """What was reviewed: names of track and recording, and how its hits were read (source, level_unit of TakeHits)."""

    track: str
    track_sha256: str
    recording: str
    source: str
    level_unit: str


@dataclass(frozen=True, slots=True)
class Strokes:
    """What was struck and what wasn't.

    grid is what the hits were laid on: the track's, or the player's where it is finer or swings differently.
    """

    played: Played
    strays: tuple[Stray, ...] = ()
    missed: tuple[Missed, ...] = ()
    grid: tuple[GridSection, ...] = ()


@dataclass(frozen=True, slots=True)
class Timing:
    """Offsets of all hits, by kind, section and place; noticeable_ms: what a listener just notices at this spacing."""

    whole: Summary
    kinds: dict[str, Summary]
    sections: tuple[Section, ...]
    places: tuple[PlaceSummary, ...]
    histogram_edges_ms: tuple[float, ...]
    noticeable_ms: float


@dataclass(frozen=True, slots=True)
class Movement:
    """How the player moved: drift when alone, swing, corrections of errors, and correction gains."""

    drifts: tuple[Drift, ...] = ()
    swing: tuple[SwingSection, ...] = ()
    corrections: tuple[Correction, ...] = ()
    gains: Gains | None = None


@dataclass(frozen=True, slots=True)
class Advice:
    """What to make of it: the one exercise, the findings, doubts about the counts, and words of caution."""

    practice: Practice | None = None
    findings: tuple[Finding, ...] = ()
    grid_doubt: GridDoubt | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Review:
    """Everything said about a take. Without a chosen alignment all lists are empty; verdict says why."""

    subject: Subject
    verdict: str
    alignment: Alignment
    latency_given_ms: float | None
    strokes: Strokes
    timing: Timing
    movement: Movement
    advice: Advice
