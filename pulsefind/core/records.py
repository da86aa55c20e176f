"""The frozen records that the stages hand on to each other.

One way: Audio -> Activations -> Pulse -> Beats -> Bars -> Grid, Audio -> Hits, all of them -> Guides ->
Analysis. A record checks its arrays when it is made (shape, order, no NaN), so that a stage may trust what
it is given. Times are float64 seconds from the first sample of the file as decoded; units stand in the names.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FEWEST_FOR_TEMPO = 3
"""Fewer beats than this have no tempo: it is 0."""


def _frozen(values: object, dtype: type, ndim: int, name: str) -> NDArray[Any]:
    """Return a read-only copy with the given type and number of axes; NaN and infinity are refused."""
    array: NDArray[Any] = np.array(values, dtype=dtype, ndmin=ndim)
    if array.ndim != ndim:
        raise ValueError(f"{name} needs {ndim} axes, has {array.ndim}")
    if array.dtype.kind == "f" and not np.isfinite(array).all():
        raise ValueError(f"{name} holds NaN or infinity")
    array.setflags(write=False)
    return array


def _check_times(time_s: NDArray[Any], name: str, strictly: bool) -> None:
    """Refuse times that go backwards (or, strictly, stand still)."""
    steps = np.diff(time_s)
    if (steps < 0).any() or (strictly and (steps == 0).any()):
        raise ValueError(f"{name} must increase; it does not at index {int(np.argmin(steps)) + 1}")


def _set(record: object, name: str, value: object) -> None:
    """Store a converted field while a frozen record is being made."""
    object.__setattr__(record, name, value)


@dataclass(frozen=True, slots=True)
class Audio:
    """One recording, mixed to mono for analysis.

    samples: (n,) float32, rate_hz: its rate. path, channels, source_rate_hz and sha256 (of the samples as
    decoded) tell where it came from. An empty recording has n = 0.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    path: Path | None
    channels: int
    source_rate_hz: int
    sha256: str

    def __post_init__(self) -> None:
        """Check the samples; an hour of them is not copied when nobody can change them anyway."""
        if self.samples.flags.writeable or self.samples.dtype != np.float32 or self.samples.ndim != 1:
            _set(self, "samples", _frozen(self.samples, np.float32, 1, "samples"))

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz


@dataclass(frozen=True, slots=True)
class Activations:
    """How likely a beat and a downbeat are, frame by frame.

    values: (n_frames, 2) in 0..1, the first column "a beat that is not a downbeat", the second "a downbeat";
    downbeat_odds: (n_frames,) log odds that a beat at that frame is a downbeat, from every network that was asked;
    half_odds: (n_frames,) log odds of a beat near that frame, from what tells a beat from the middle between two beats.
    Frame k is centred at k / frame_rate_hz seconds.
    """

    values: FloatArray
    downbeat_odds: FloatArray
    half_odds: FloatArray
    frame_rate_hz: float

    def __post_init__(self) -> None:
        """Check shapes and range."""
        values = _frozen(self.values, np.float64, 2, "values")
        if values.shape[1] != 2 or (values < 0).any() or (values > 1).any():
            raise ValueError("values must have two columns within 0..1")
        _set(self, "values", values)
        for name in ("downbeat_odds", "half_odds"):
            _set(self, name, _frozen(getattr(self, name), np.float64, 1, name))
            if len(getattr(self, name)) != len(values):
                raise ValueError(f"values and {name} differ in length")


@dataclass(frozen=True, slots=True)
class Harmony:
    """pitch_class: (n_frames, 24) strength of the twelve pitch classes in the bass, then of those above it."""

    pitch_class: FloatArray
    frame_rate_hz: float

    def __post_init__(self) -> None:
        """Check the shape."""
        pitch_class = _frozen(self.pitch_class, np.float64, 2, "pitch_class")
        if pitch_class.shape[1] != 24:
            raise ValueError("pitch_class must have 24 columns")
        _set(self, "pitch_class", pitch_class)


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another reading of the track, how likely it is, and the hint that selects it."""

    reading: str
    probability: float
    hint: str


@dataclass(frozen=True, slots=True)
class Sureness:
    """How likely the 1, and the half of the beat, are as counted in bars first_bar..last_bar (indices, both included).

    It is what these bars say by themselves: the count is decided over the whole track.
    """

    first_bar: int
    last_bar: int
    one: float
    half: float


@dataclass(frozen=True, slots=True)
class Pulse:
    """What the decoder heard: beats to about a frame, each with its count in the bar.

    time_s, count (1-based), beats_per_bar: (n_beats,); a change of beats_per_bar happens at a count of 1.
    unit: the note value that is counted (4 or 8). probability_* say how sure the decoder is of the 1, of the
    tempo octave, of the meter and of the half of the beat, sections how sure of the 1 and the half bar by bar. The 1 is
    right only where the half, the meter and the octave are: its probability is that of all four.
    alternatives come most likely first.
    """

    time_s: FloatArray
    count: IntArray
    beats_per_bar: IntArray
    unit: int
    probability_one: float
    probability_octave: float
    probability_meter: float
    alternatives: tuple[Alternative, ...] = ()
    warnings: tuple[str, ...] = ()
    probability_half: float = 1.0
    sections: tuple[Sureness, ...] = ()

    def __post_init__(self) -> None:
        """Check order and counts."""
        _set(self, "time_s", _frozen(self.time_s, np.float64, 1, "time_s"))
        _set(self, "count", _frozen(self.count, np.int64, 1, "count"))
        _set(self, "beats_per_bar", _frozen(self.beats_per_bar, np.int64, 1, "beats_per_bar"))
        _check_times(self.time_s, "time_s", strictly=True)
        if not len(self.time_s) == len(self.count) == len(self.beats_per_bar):
            raise ValueError("time_s, count and beats_per_bar differ in length")
        if ((self.count < 1) | (self.count > self.beats_per_bar)).any():
            raise ValueError("count must lie within 1..beats_per_bar")


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
        _set(self, "time_s", _frozen(self.time_s, np.float64, 1, "time_s"))
        _set(self, "confidence", _frozen(self.confidence, np.float64, 1, "confidence"))
        _set(self, "carried", _frozen(self.carried, np.bool_, 1, "carried"))
        _check_times(self.time_s, "time_s", strictly=True)
        if not len(self.time_s) == len(self.confidence) == len(self.carried):
            raise ValueError("time_s, confidence and carried differ in length")
        if ((self.confidence < 0) | (self.confidence > 1)).any():
            raise ValueError("confidence must lie within 0..1")


@dataclass(frozen=True, slots=True)
class Bars:
    """The bars that the beats form.

    first_beat: (n_bars,) index of the bar's first beat; beats: (n_bars,) how many beats of it sound;
    beats_per_bar: (n_bars,) how many a full bar of its meter has; start_s: (n_bars,) its start;
    number: (n_bars,) 1 for the first full bar, 0 for a pickup. count: (n_beats,), 1-based.
    A pickup bar starts with a count above 1. end_s is where the last bar ends. unit is the note value counted.
    """

    first_beat: IntArray
    beats: IntArray
    beats_per_bar: IntArray
    start_s: FloatArray
    number: IntArray
    count: IntArray
    end_s: float
    unit: int

    def __post_init__(self) -> None:
        """Check that the bars cover the beats without a gap."""
        for name in ("first_beat", "beats", "beats_per_bar", "number", "count"):
            _set(self, name, _frozen(getattr(self, name), np.int64, 1, name))
        _set(self, "start_s", _frozen(self.start_s, np.float64, 1, "start_s"))
        if int(self.beats.sum()) != len(self.count):
            raise ValueError("the bars' beats don't add up to the number of beats")
        if not np.array_equal(self.first_beat, np.r_[0, np.cumsum(self.beats)[:-1]][: len(self.beats)]):
            raise ValueError("first_beat doesn't follow from beats")

    def meter(self, bar: int) -> str:
        """The meter of a bar as it is written, for example '7/8'."""
        return f"{int(self.beats_per_bar[bar])}/{self.unit}"


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
class Sound:
    """A kind of hit, measured: the middle of its attack's band, its length to -20 dB, and how noisy it is.

    noisiness runs from 0 (a tone) to 1 (noise over the whole band). decay_ms is capped at what was measured. drum names
    the part of the drum kit that the network takes it for, "" where it was found without teaching.
    """

    centre_hz: float
    decay_ms: float
    noisiness: float
    drum: str = ""


@dataclass(frozen=True, slots=True)
class Hits:
    """Percussive onsets, sorted by kind of sound; one onset in which two sounds meet gives two hits.

    time_s: (n_hits,) to about a millisecond; sound: (n_hits,) index into sounds; strength: (n_hits,) linear, 1.0 for
    a full hit of that sound; level_db: (n_hits,) how far the hit stands over what sounded just before it, in its
    own band; timbre: (n_hits, k) level in each band of timbre_hz, dB over what sounded before; odds: (n_hits,) log odds
    that it was struck, over those from which such a hit usually counts (below 0 it is doubtful), all 0 if not given.
    """

    time_s: FloatArray
    sound: IntArray
    strength: FloatArray
    level_db: FloatArray
    timbre: FloatArray
    timbre_hz: tuple[float, ...]
    sounds: tuple[Sound, ...]
    odds: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Check order and lengths."""
        if not len(self.odds):
            object.__setattr__(self, "odds", np.zeros(len(self.time_s)))
        for name in ("time_s", "strength", "level_db", "odds"):
            _set(self, name, _frozen(getattr(self, name), np.float64, 1, name))
        _set(self, "sound", _frozen(self.sound, np.int64, 1, "sound"))
        _set(self, "timbre", _frozen(self.timbre, np.float64, 2, "timbre"))
        _check_times(self.time_s, "time_s", strictly=False)
        if len({len(self.time_s), len(self.sound), len(self.strength), len(self.level_db), len(self.odds)}) > 1:
            raise ValueError("time_s, sound, strength, level_db and odds differ in length")
        if self.timbre.shape != (len(self.time_s), len(self.timbre_hz)):
            raise ValueError("timbre must be (n_hits, len(timbre_hz))")
        if len(self.sound) and not 0 <= self.sound.min() <= self.sound.max() < len(self.sounds):
            raise ValueError("sound must be an index into sounds")

    def certain(self) -> Hits:
        """Without those that are doubtful."""
        kept = self.odds >= 0
        return replace(
            self,
            time_s=self.time_s[kept],
            sound=self.sound[kept],
            strength=self.strength[kept],
            level_db=self.level_db[kept],
            timbre=self.timbre[kept],
            odds=self.odds[kept],
        )


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
        _set(self, "time_s", _frozen(self.time_s, np.float64, 1, "time_s"))
        _set(self, "bar", _frozen(self.bar, np.int64, 1, "bar"))
        _set(self, "on_pattern", _frozen(self.on_pattern, np.bool_, 1, "on_pattern"))
        _check_times(self.time_s, "time_s", strictly=False)
        if not len(self.time_s) == len(self.bar) == len(self.place) == len(self.on_pattern):
            raise ValueError("the hits' fields differ in length")


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
        _set(self, "bar_bpm", _frozen(self.bar_bpm, np.float64, 1, "bar_bpm"))


@dataclass(frozen=True, slots=True)
class Confidence:
    """How likely it is that the 1, the tempo octave, the meter and the half of the beat are as reported, 0..1 each.

    one is the probability that all four are right: on the wrong half, in the wrong meter or at the wrong octave the 1s
    are wrong. sections say it section by section, given meter and octave.
    """

    one: float
    octave: float
    meter: float
    half: float = 1.0
    sections: tuple[Sureness, ...] = ()


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
class Settings:
    """What the user knows: hints are honoured exactly.

    meter: (beats, unit) of every bar; bpm_low and bpm_high bound the tempo; one_at_s is the time of some 1;
    start_s and end_s bound the part to analyse. None leaves the question to the sound. network names the networks
    that listen: 'own', 'stock' or 'both'. taps_s are the times of beats that somebody tapped, taps_count their counts,
    or nothing where they weren't counted.
    """

    meter: tuple[int, int] | None = None
    bpm_low: float | None = None
    bpm_high: float | None = None
    one_at_s: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    use_cache: bool = True
    network: str = "both"
    taps_s: tuple[float, ...] = ()
    taps_count: tuple[int, ...] = ()

    @property
    def in_threes(self) -> bool:
        """Is the meter one whose eighths are counted in beats of three (9/8, 12/8)?"""
        return self.meter in ((9, 8), (12, 8))

    @property
    def beats_per_bar(self) -> int | None:
        """How many beats a bar is counted in, if the meter is known: four for 12/8."""
        if self.meter is None:
            return None
        return self.meter[0] // 3 if self.in_threes else self.meter[0]


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
        return f"{3 * int(self.bars.beats_per_bar[bar])}/8" if self.settings.in_threes else self.bars.meter(bar)
