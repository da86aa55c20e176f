"""What a song is before it is played: its parts, and the bars, sections and chords that all instruments share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.style import Style

FloatArray = NDArray[np.float64]

_MAJOR = (0, 2, 4, 5, 7, 9, 11)
_MINOR = (0, 2, 3, 5, 7, 8, 10)
_PROGRESSIONS = (
    (0, 4, 5, 3),
    (0, 5, 3, 4),
    (5, 3, 0, 4),
    (0, 3, 4, 3),
    (0, 3, 0, 4),
    (0, 0, 3, 4),
    (0, 5, 1, 4),
    (3, 4, 2, 5),
    (0, 2, 3, 4),
    (0, 6, 3, 0),
    (5, 4, 3, 4),
    (0, 0, 3, 0),
    (0, 1, 3, 0),
    (0, 0, 0, 0),
    (0, 6, 5, 6),
    (1, 4, 0, 5),
    (2, 5, 1, 4),
    (0, 0, 4, 4),
    (0, 0, 0, 0, 3, 3, 0, 0, 4, 3, 0, 4),
)


@dataclass(frozen=True, slots=True)
class Part:
    """One pitched instrument: notes (n, 4) of start, end (beats), pitch, velocity."""

    role: str
    family: str
    notes: FloatArray


@dataclass(frozen=True, slots=True)
class Score:
    """A song on paper. bar_start (n_bars + 1,) in beats; drums (n, 3) of beat, General MIDI key, velocity.

    swing is the share of a pair of slots that its first half takes; pair_beats how long such a pair is.
    """

    style: str
    bpm: float
    bar_start: NDArray[np.int64]
    parts: tuple[Part, ...]
    drums: FloatArray
    swing: float
    pair_beats: float


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord from start to end (beats): its root and tones as MIDI pitches, and the root that follows."""

    start: float
    end: float
    root: int
    tones: tuple[int, ...]
    next_root: int


class Form:
    """Bars, sections and chords that all instruments share."""

    def __init__(self, style: Style, bars: int, rng: Generator) -> None:
        """Draw the form of a song of so many bars in a style."""
        self.style, self.rng = style, rng
        sizes = np.full(bars, style.beats)
        if style.beats == 4 and rng.random() < 0.06:
            sizes[rng.integers(2, bars, rng.integers(1, 4))] = rng.choice([2, 3, 5])
        self.bar_start = np.r_[0, np.cumsum(sizes)]
        length = int(rng.choice([4, 8, 8, 16]))
        self.section = np.repeat(rng.permutation(np.resize([0, 1], bars // length + 2)), length)[:bars]
        if rng.random() < 0.5:
            self.section = np.sort(self.section)
        self.section_start = np.flatnonzero(np.r_[True, np.diff(self.section) != 0] | (np.arange(bars) % length == 0))
        self.bars = bars
        self.push, self._push_chance = 0.0, float(rng.choice([0.25, 0.5, 1.0]))
        if rng.random() < 0.16 and style.beats >= 4:
            self.push = {4: 2, 3: 1, 2: 1}[style.slots] / style.slots
        self.grooves = [groove_of(self, rng.random() < 0.12) for _ in range(3)]
        self.chords = self._chords()

    def slots(self, bar: int) -> int:
        """How many slots a bar has."""
        return int(self.bar_start[bar + 1] - self.bar_start[bar]) * self.style.slots

    def early(self, bar: int, slot: int) -> float:
        """How many beats early a chord at a slot comes: on the bar's first and middle beats, now and then."""
        middle = self.style.beats // 2 * self.style.slots
        pushed = self.push and bar and (slot == 0 or (slot == middle and self.style.beats == 4))
        return self.push if pushed and self.rng.random() < self._push_chance else 0.0

    def _chords(self) -> list[Chord]:
        """The harmony: a progression a section, moving once or twice a bar, or every other bar."""
        rng, style = self.rng, self.style
        scale = _MAJOR if rng.random() < 0.6 else _MINOR
        key = int(rng.integers(12))
        pace = (
            rng.choice([1.0, 2.0, 0.5, 0.25], p=[0.66, 0.14, 0.15, 0.05])
            if style.beats != 3
            else rng.choice([1.0, 0.5])
        )
        sevenths = rng.random() < (0.9 if style.name in ("swing", "bossa", "jazz-waltz", "jazz-five") else 0.2)
        lines = [_PROGRESSIONS[rng.integers(len(_PROGRESSIONS))] for _ in range(2)]
        starts: list[tuple[float, int]] = []
        for bar in range(self.bars):
            line = lines[self.section[bar]]
            first, size = float(self.bar_start[bar]), self.bar_start[bar + 1] - self.bar_start[bar]
            if pace == 2 and size >= 4:
                half = size // 2 if style.beats != 6 else 3
                starts += [(first, line[(2 * bar) % len(line)]), (first + half, line[(2 * bar + 1) % len(line)])]
            elif pace >= 1 or bar % int(1 / pace) == 0:
                starts.append((first, line[int(bar * min(pace, 1.0)) % len(line)]))
            if rng.random() < 0.05 and size >= 3:
                starts.append((first + size - 1, int(rng.integers(7))))
        ends = [s for s, _ in starts[1:]] + [float(self.bar_start[-1])]
        roots = [key + scale[d % 7] for _, d in starts]
        chords = []
        for i, ((start, degree), end) in enumerate(zip(starts, ends, strict=True)):
            tones = tuple(
                key + scale[(degree + 2 * k) % 7] + 12 * ((degree + 2 * k) // 7) for k in range(4 if sevenths else 3)
            )
            chords.append(Chord(start, end, roots[i], tones, roots[min(i + 1, len(roots) - 1)]))
        return chords

    def chord_at(self, beat: float) -> Chord:
        """The chord that sounds at a beat."""
        low, high = 0, len(self.chords)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.chords[middle].start <= beat + 1e-6 else (low, middle)
        return self.chords[low]


def groove_of(form: Form, free: bool) -> dict[str, str]:
    """Kick, snare and hat rhythms with their sounds."""
    rng, style = form.rng, form.style
    slots = style.beats * style.slots
    pick = {name: str(rng.choice(getattr(style, name))) for name in ("kick", "snare", "hat")}
    if free:
        pick["kick"] = "x" + "".join(rng.choice(list(".x"), slots - 1, p=[0.75, 0.25]))
        if rng.random() < 0.4:
            pick["snare"] = "".join(rng.choice(list(".xo"), slots, p=[0.78, 0.15, 0.07]))
    pick["kick_sound"] = "kick"
    pick["snare_sound"] = str(rng.choice(style.snare_sound))
    pick["hat_sound"] = str(rng.choice(style.hat_sound))
    return pick
