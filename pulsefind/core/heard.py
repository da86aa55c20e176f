"""The frozen records of what is heard: sound, activations, harmony, hits, and the pulse that the decoder makes of it.

They check their arrays when they are made, as those of what is found do (records.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.arrays import FloatArray, IntArray, check_increasing, check_lengths, freeze


@dataclass(frozen=True, slots=True)
class Audio:
    """One recording, mixed to mono for analysis.

    Attributes
    ----------
    samples : (n,) array of float32
        Full scale at 1.0; read-only; an empty recording has n = 0.
    rate_hz : int
        Their rate.
    path : Path or None
        The file that they came from.
    channels, source_rate_hz : int
        What the recording had.
    sha256 : str
        Of the samples as decoded, in hexadecimal.
    warnings : tuple of str
        What of the file couldn't be read.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    path: Path | None
    channels: int
    source_rate_hz: int
    sha256: str
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check the samples; they aren't copied if nobody can change them anyway, since there may be an hour
        of them.
        """
        if self.samples.flags.writeable or self.samples.dtype != np.float32 or self.samples.ndim != 1:
            freeze(self, "samples", dtype=np.float32)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz


STRUCK_COLUMNS = 14
"""Beat and downbeat in the whole and in the bass, and the ten outputs of the kit network (as trained)."""


@dataclass(frozen=True, slots=True)
class Activations:
    """How likely a beat and a downbeat are, frame by frame.

    values: (n_frames, 2) in 0..1, the first column "a beat that is not a downbeat", the second "a downbeat";
    downbeat_log_odds: (n_frames,) log odds that a beat at that frame is a downbeat; phase_log_odds: (n_frames,) log
    odds of a beat near that frame, as evidence for the beat phase. Frame k is centred at k / frame_rate_hz seconds.
    struck: (m, 14) all outputs of pulsefind's own networks, 50 times a second, for the reader of bars; no rows if they
    didn't run.
    """

    values: FloatArray
    downbeat_log_odds: FloatArray
    phase_log_odds: FloatArray
    frame_rate_hz: float
    struck: FloatArray = field(default_factory=lambda: np.zeros((0, STRUCK_COLUMNS)))

    def __post_init__(self) -> None:
        """Check shapes and range."""
        freeze(self, "values", ndim=2)
        if self.values.shape[1] != 2 or (self.values < 0).any() or (self.values > 1).any():
            raise ValueError("values must have two columns within 0..1")
        freeze(self, "downbeat_log_odds", "phase_log_odds")
        freeze(self, "struck", ndim=2)
        if self.struck.shape[1] != STRUCK_COLUMNS:
            raise ValueError(f"struck must have {STRUCK_COLUMNS} columns, has {self.struck.shape[1]}")
        check_lengths(self, "values", "downbeat_log_odds", "phase_log_odds")


@dataclass(frozen=True, slots=True)
class Harmony:
    """pitch_class: (n_frames, 24) strength of the twelve pitch classes in the bass, then of those above it."""

    pitch_class: FloatArray
    frame_rate_hz: float

    def __post_init__(self) -> None:
        """Check the shape."""
        freeze(self, "pitch_class", ndim=2)
        if self.pitch_class.shape[1] != 24:
            raise ValueError("pitch_class must have 24 columns")


@dataclass(frozen=True, slots=True)
class Sound:
    """A kind of hit, measured.

    Attributes
    ----------
    centre_hz : float
        The middle of its attack's band.
    decay_ms : float
        Its length down to -20 dB, capped at what was measured.
    noisiness : float
        From 0 (a tone) to 1 (noise over the whole band).
    drum : str
        The part of the drum kit that the network takes it for; "" otherwise.
    instrument : str
        What the network takes its notes to be played on; "" otherwise. Both are "" for an untaught sound.
    """

    centre_hz: float
    decay_ms: float
    noisiness: float
    drum: str = ""
    instrument: str = ""

    @property
    def taught(self) -> bool:
        """Is it one of the sounds that the network was taught?"""
        return bool(self.drum or self.instrument)


@dataclass(frozen=True, slots=True)
class Hits:
    """Percussive onsets and notes, by kind of sound; one onset with two sounds gives two hits.

    time_s: (n_hits,) to about a millisecond; sound: (n_hits,) index into sounds; strength: (n_hits,) linear, 1.0 for
    a full hit of that sound; level_db: (n_hits,) how far the hit rises above what sounded just before it, in its
    own band; timbre: (n_hits, k) the same in each band of timbre_hz; log_odds: (n_hits,) that it was struck, relative
    to the usual threshold (below 0 it is doubtful), all 0 if not given.
    """

    time_s: FloatArray
    sound: IntArray
    strength: FloatArray
    level_db: FloatArray
    timbre: FloatArray
    timbre_hz: tuple[float, ...]
    sounds: tuple[Sound, ...]
    log_odds: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Check order and lengths."""
        if not len(self.log_odds):
            object.__setattr__(self, "log_odds", np.zeros(len(self.time_s)))
        freeze(self, "time_s", "strength", "level_db", "log_odds")
        freeze(self, "sound", dtype=np.int64)
        freeze(self, "timbre", ndim=2)
        check_increasing(self, "time_s", strictly=False)
        check_lengths(self, "time_s", "sound", "strength", "level_db", "log_odds")
        if self.timbre.shape != (len(self.time_s), len(self.timbre_hz)):
            raise ValueError("timbre must be (n_hits, len(timbre_hz))")
        if len(self.sound) and not 0 <= self.sound.min() <= self.sound.max() < len(self.sounds):
            raise ValueError("sound must be an index into sounds")

    def certain(self) -> Hits:
        """The percussive hits that aren't doubtful, which time the beats; notes begin more slowly."""
        is_note = np.array([bool(sound.instrument) for sound in self.sounds], np.bool_)
        return self._only((self.log_odds >= 0) & ~is_note[self.sound])

    def taught(self) -> Hits:
        """Hits of taught sounds, notes included, that aren't doubtful."""
        is_taught = np.array([sound.taught for sound in self.sounds], np.bool_)
        return self._only((self.log_odds >= 0) & is_taught[self.sound])

    def _only(self, kept: NDArray[np.bool_]) -> Hits:
        return replace(
            self,
            time_s=self.time_s[kept],
            sound=self.sound[kept],
            strength=self.strength[kept],
            level_db=self.level_db[kept],
            timbre=self.timbre[kept],
            log_odds=self.log_odds[kept],
        )


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another reading of the track.

    Attributes
    ----------
    reading : str
        In words.
    probability : float
        How likely it is, 0..1.
    hint : str
        The option that selects it.
    """

    reading: str
    probability: float
    hint: str


@dataclass(frozen=True, slots=True)
class SectionConfidence:
    """What some bars say by themselves; the count is decided over the whole track.

    Attributes
    ----------
    first_bar, last_bar : int
        Indices of the bars, both included.
    one, half : float
        How likely the 1 and the beat phase are as counted there, 0..1.
    """

    first_bar: int
    last_bar: int
    one: float
    half: float


@dataclass(frozen=True, slots=True)
class Pulse:
    """What the decoder heard: beats to about a frame, each with its count in the bar.

    time_s, count (1-based), beats_per_bar: (n_beats,); a change of beats_per_bar happens at a count of 1.
    unit: the note value counted (4 or 8). probability_*: the decoder's confidence in the 1, the tempo octave, the meter
    and the beat phase; sections: in the 1 and the phase, section by section. The 1 is right only if beat phase, meter
    and octave are, so its probability is that of all four. alternatives: the likeliest first. beat_quarters: (n_beats,)
    how many quarter notes each beat lasts as written; empty if all last the same.
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
    probability_phase: float = 1.0
    sections: tuple[SectionConfidence, ...] = ()
    beat_quarters: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Check order and counts."""
        freeze(self, "time_s", "beat_quarters")
        freeze(self, "count", "beats_per_bar", dtype=np.int64)
        check_increasing(self, "time_s")
        check_lengths(self, "time_s", "count", "beats_per_bar")
        if len(self.beat_quarters) not in (0, len(self.time_s)):
            raise ValueError("time_s and beat_quarters differ in length")
        if ((self.count < 1) | (self.count > self.beats_per_bar)).any():
            raise ValueError("count must lie within 1..beats_per_bar")
