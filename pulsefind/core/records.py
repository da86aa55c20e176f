"""The frozen records that the stages hand on to each other.

One way: Audio -> Activations -> Pulse -> Beats -> Bars -> Grid, Audio -> Hits, all of them -> Guides -> Analysis. All
are imported from here; what is heard is defined in heard.py, what is counted in counted.py, settings in settings.py. A
record checks its arrays when it is made (shape, order, no NaN), so that a stage can trust what it is given. Times are
float64 seconds from the first sample of the file as decoded; names carry units.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.arrays import FloatArray, IntArray, check_increasing, check_lengths, freeze
from pulsefind.core.corrections import form_at
from pulsefind.core.counted import FEWEST_FOR_TEMPO, Bars, Beats, Grid, GridSection, Stretch, Tempo
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


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a guide.

    Attributes
    ----------
    label : str
        The spoken count, '2&'.
    bar : int
        The bar of the pattern that it falls in, from 1.
    position_beats : float
        Its distance from that bar's 1, in beats.
    hit_rate : float
        Share of the guide's bars in which it is struck, 0..1.
    offset_ms, spread_ms : float
        Mean distance of its hits from the place (negative is early), and their standard deviation.
    """

    label: str
    bar: int
    position_beats: float
    hit_rate: float
    offset_ms: float
    spread_ms: float


@dataclass(frozen=True, slots=True)
class GuideHits:
    """The hits of one guide, in order of time.

    Attributes
    ----------
    time_s : (n,) array of float
        When, in seconds; hits may coincide.
    bar : (n,) array of int
        Index of the bar of each.
    place : tuple of n str
        The label of the nearest place.
    on_pattern : (n,) array of bool
        Whether it lies on one of the guide's places.
    """

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
    """A recurring sound with known places: something to follow.

    Attributes
    ----------
    name : str
        What it sounds like, in plain words.
    sound : Sound
        The same, measured.
    pattern_bars : int
        After how many bars its places repeat.
    places : tuple of Place
        Where in the pattern it falls, at least one.
    hits : GuideHits
        Each of its hits.
    coverage : tuple of Stretch
        The stretches of bars in which it can be followed.
    loudness_db : float
        Median level of its hits over the rest of the mix, in its own band.
    recurrence, audibility, tightness, coverage_share, clarity : float
        The parts of its score, 0..1 each; clarity: how far its places stand out from those between them.
    score : float
        How far a drummer can lean on it, 0..1.
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
class Confidence:
    """How likely the answers are right, as probabilities (0..1).

    Attributes
    ----------
    one : float
        That the 1 is right, which takes all four: in another beat phase, meter or octave the 1s are wrong.
    octave : float
        That the tempo isn't half or double.
    meter : float
        That the bars have the right number of beats.
    half : float
        That the beat phase is right: which of the two halves of a beat is the beat (by the name it is saved under).
    sections : tuple of SectionConfidence
        The 1 and the beat phase section by section, given meter and octave; empty without beats.
    """

    one: float
    octave: float
    meter: float
    half: float = 1.0
    sections: tuple[SectionConfidence, ...] = ()


@dataclass(frozen=True, slots=True)
class Misreading:
    """Another way in which a guide could be heard.

    Attributes
    ----------
    guide : int
        Index of the guide.
    heard_as : str
        What it is taken for.
    bpm : float
        The tempo that this suggests.
    tempting : float
        How easily a listener falls into it, 0..1.
    cue : str
        What tells the two apart.
    kind : str
        Which rule of guides/misreadings.py found it.
    """

    guide: int
    heard_as: str
    bpm: float
    tempting: float
    cue: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Track:
    """The recording that was analysed.

    Attributes
    ----------
    name : str
        Its file's name.
    duration_s : float
        Its length in seconds.
    start_s, end_s : float
        The part of it that was analysed, in seconds.
    channels : int
        How many it has.
    rate_hz : int
        Its sample rate.
    sha256 : str
        Of the samples as they were analysed, in hexadecimal.
    """

    name: str
    duration_s: float
    start_s: float
    end_s: float
    channels: int
    rate_hz: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything that pulsefind knows about one track.

    Without a steady beat all that is counted is empty (`beats.time_s` has no entries), and `warnings` says so.

    Attributes
    ----------
    track : Track
        The recording, and the part of it that was analysed.
    beats : Beats
        The beats' times in seconds, (n_beats,).
    bars : Bars
        The bars that they form, (n_bars,), with the count of each beat.
    grid : Grid
        How the beat is subdivided, section by section.
    tempo : Tempo
        In beats per minute: overall, and bar by bar.
    guides : tuple of Guide
        Sounds that can be followed, the best first; may be empty.
    alone : tuple of Stretch
        The stretches of bars in which nothing can be followed.
    plan : tuple of int or None
        For each bar the index of the guide to follow, None where the drummer is alone.
    misreadings : tuple of Misreading
        How each guide could be misheard, guide by guide, the most tempting first.
    confidence : Confidence
        How likely the 1, the tempo octave, the meter and the beat phase are right, 0..1.
    alternatives : tuple of Alternative
        Other readings of the track, the likeliest first, each with the hint that selects it.
    settings : Settings
        What was known beforehand.
    warnings : tuple of str
        What to check, a sentence each.

    Examples
    --------
    >>> import numpy as np
    >>> from pulsefind import analyse, from_samples
    >>> silence = analyse(from_samples(np.zeros(44100), 44100))
    >>> silence.track.duration_s, silence.beats.time_s.shape, silence.guides, silence.plan
    (1.0, (0,), (), ())
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
