"""Places in the bar and their spoken counts.

Common practice, no source: sixteenths are counted `1 e & a`, eighths `1 &`, triplets `1 trip let`; in 6/8 the
eighths are counted `1 2 3 4 5 6` and their halves `&`. There is no settled way to
count sixths of a beat; here the triplet syllables stay, with `ta`, `&` and `da` between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.errors import HintError
from pulsefind.core.hints import parse_whole
from pulsefind.core.records import Bars, Beats, FloatArray, Grid, GridSection

SYLLABLES = {
    1: ("",),
    2: ("", "&"),
    3: ("", "trip", "let"),
    4: ("", "e", "&", "a"),
    6: ("", "ta", "trip", "&", "let", "da"),
}
"""What is said for each slot of a beat, by slots a beat (common practice, no source)."""


def label(count: int, slot: int, slots_per_beat: int) -> str:
    """The spoken count of a slot: label(2, 1, 2) is '2&'."""
    return f"{count}{SYLLABLES[slots_per_beat][slot]}"


def slot_positions(section: GridSection) -> FloatArray:
    """(slots_per_beat,) where the slots lie within a beat (0..1), swing included.

    With a swing ratio r : 1 the second of two slots lies at r / (1 + r) of the pair; with four slots the pair is
    half a beat.
    """
    n, ratio = section.slots_per_beat, section.swing_ratio
    position = np.arange(n) / n
    if ratio != 1.0 and n in (2, 4):
        pair = 2.0 / n
        position[1::2] = position[::2] + pair * ratio / (1.0 + ratio)
    return position


_QUARTERS = {"": 0.0, "e": 0.25, "&": 0.5, "a": 0.75}  # of a beat (arithmetic)
_SIXTHS = {"ta": 1 / 6, "trip": 1 / 3, "let": 2 / 3, "da": 5 / 6}  # of a beat (arithmetic)


def within_beat(section: GridSection, syllable: str) -> float:
    """Where a syllable lies in the beat (0..1) on the grid of a section, swing included.

    A syllable that the grid lacks goes where it would be counted: sixteenths halve the eighths as played, so that e
    lies in the middle of a long swung eighth (at 2 : 1 a third into the beat) and a in the middle of the short one;
    thirds and sixths stay even (common practice, no source).
    """
    names = SYLLABLES[section.slots_per_beat]
    if syllable in names:
        return float(slot_positions(section)[names.index(syllable)])
    if syllable in _SIXTHS:
        return _SIXTHS[syllable]
    half = float(slot_positions(section)[1]) if section.slots_per_beat == 2 else 0.5
    return float(np.interp(_QUARTERS[syllable], [0.0, 0.5, 1.0], [0.0, half, 1.0]))


def syllable_positions(section: GridSection) -> dict[str, float]:
    """Where every known syllable lies in the beat (0..1) on the grid of a section, as within_beat says."""
    return {syllable: within_beat(section, syllable) for syllable in (*_QUARTERS, *_SIXTHS)}


def parse_label(text: str) -> tuple[int, str]:
    """Split a spoken count into count and syllable: '4a' gives (4, 'a')."""
    digits = len(text) - len(text.lstrip("0123456789"))
    syllable = text[digits:]
    known = {name for names in SYLLABLES.values() for name in names}
    count = parse_whole(text[:digits])
    if not count or syllable not in known:
        raise HintError(f"'{text}' is no count; say for example 1, 2&, 3e, 4a, 1trip or 2let")
    return count, syllable


def place_at(beats_from_one: float, beats_per_bar: int, slots_per_beat: int) -> str:
    """The count nearest to a given distance from the 1, in beats, on a straight grid: place_at(1.5, 4, 2) is '2&'."""
    slot = round(beats_from_one * slots_per_beat) % (beats_per_bar * slots_per_beat)
    return label(slot // slots_per_beat + 1, slot % slots_per_beat, slots_per_beat)


FADING = ("beats", "1", "1 every 2", "1 every 4", "none")
"""Help that fades: what is clicked, stage by stage, for as many bars each; the last one lasts. '1 every 4' is the 1 of
the bars 1, 5, 9 ... (Teachers' practice, no source.)"""


def every_so_many(on: str) -> int:
    """How many bars lie from click to click: 4 for '1 every 4', 1 by default."""
    _, every, bars = on.partition(" every ")
    return int(bars) if every else 1


def backbeat(beats: int) -> tuple[str, ...]:
    """The counts of the backbeat in a bar of so many: of four 2 and 4, of three 2 and 3, of six 4 (common practice)."""
    counts = tuple(str(count) for count in range(1, beats + 1))
    return ("4",) if beats == 6 else counts[1:] if beats == 3 else counts[1::2]


def count_in_beat_s(beats: Beats, bars: Bars, beat: int) -> float:
    """Seconds from count to count of a count-in to a beat (index): the mean over as many beats as its bar has."""
    bar = int(np.searchsorted(bars.first_beat, beat, side="right")) - 1
    edges_s = np.r_[beats.time_s, bars.end_s]
    last = min(beat + int(bars.beats_per_bar[bar]), len(edges_s) - 1)
    return float((edges_s[last] - edges_s[beat]) / (last - beat))


@dataclass(frozen=True, slots=True)
class Slot:
    """A place that a hit can fall on: its label, and where it lies in the bar, in beats."""

    label: str
    position_beats: float


def full_bars(bars: Bars) -> NDArray[np.bool_]:
    """The bars with all their beats and the track's usual meter: only these can be folded."""
    full: NDArray[np.bool_] = (bars.beats == bars.beats_per_bar) & (bars.beats_per_bar == bars.usual_beats)
    if len(bars.beat_quarters):
        which = np.unique(bars.beat_quarters, return_inverse=True)[1]
        full &= which == np.bincount(which, weights=full).argmax()
    return full


def slots_of(bars: Bars, grid: Grid) -> list[Slot]:
    """Every place of every grid that the track uses, in order; a place shared by two grids appears once."""
    beats = bars.usual_beats
    position: dict[str, float] = {}
    for section in grid.sections:
        for count in range(1, beats + 1):
            for slot, within in enumerate(slot_positions(section)):
                position.setdefault(label(count, slot, section.slots_per_beat), count - 1 + float(within))
    return [Slot(name, at) for name, at in sorted(position.items(), key=lambda item: item[1])]
