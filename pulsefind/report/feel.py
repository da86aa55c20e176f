"""How a song feels, as drummers say it: which beat is felt, swing, shuffle, half-time, and how the tempo holds.

The words, and where one ends and the next begins, are common practice, no source, except where a constant says more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pulsefind.core.records import Analysis, GridSection, Guide

SLOWEST_FELT_BPM = 40.0
"""Nothing slower is felt as a beat, so such a bar is counted in eighths (common practice, no source)."""

SWING_WORDS = ((1.15, "straight"), (1.4, "light swing"), (1.75, "medium swing"), (2.25, "triplet swing"))
"""The long : short ratio below which each word applies; beyond the last it is hard swing (judged; 2 : 1 are the outer
triplets).
"""

HARD_SWING = "hard swing"

_SHUFFLE_SWING = 1.5  # judged: a shuffle's long : short is at least this
_SHUFFLE_FILL = 0.75
"""And one sound plays at least this share of all its eighths; with fewer it is swing (judged)."""

HOLDS, WANDERS, CHANGES = "holds", "wanders", "changes"

_LOW_HZ = 260.0
"""A sound below this can be the bass (judged)."""

_HOLDS_PERCENT, _WANDERS_PERCENT = 3.0, 8.0
"""Slow changes of tempo up to which it holds, and up to which it wanders (judged: listeners notice a change of two to
three per cent, from memory).
"""


@dataclass(frozen=True, slots=True)
class Feel:
    """How the song feels.

    meter: the usual one as written; other_meters: those of odd bars. felt_bpm: the tempo of the felt beat (felt_note:
    'quarter', 'dotted quarter' ...), of which a bar has felt_beats; counted_bpm: that of the counts if they differ,
    else None. low_bpm and high_bpm bound the felt tempo, leaving out the slowest and the quickest bars. styles:
    half-time, shuffle and the like; notes: what lies between the beats; tempo: 'holds', 'wanders' or 'changes'.
    """

    meter: str
    other_meters: tuple[str, ...]
    felt_bpm: float
    felt_beats: int
    felt_note: str
    counted_bpm: float | None
    styles: tuple[str, ...]
    notes: str
    low_bpm: float
    high_bpm: float
    tempo: str

    @property
    def holds(self) -> bool:
        """Does the tempo hold?"""
        return self.tempo == HOLDS


def feel_of(analysis: Analysis) -> Feel:
    """Tell how a song with beats feels."""
    meters = list(dict.fromkeys(analysis.meter(k) for k in range(len(analysis.bars.beats))))
    beats = analysis.bars.usual_beats
    meter = analysis.meter(int(np.argmax(analysis.bars.beats_per_bar == beats)))
    per_felt, note = _felt(analysis, beats)
    low, high = _range(analysis)
    in_words = dict.fromkeys(notes_text(section, analysis) for section in analysis.grid.sections)
    return Feel(
        meter=meter,
        other_meters=tuple(m for m in meters if m != meter),
        felt_bpm=analysis.tempo.bpm / per_felt,
        felt_beats=beats // per_felt,
        felt_note=note,
        counted_bpm=analysis.tempo.bpm if per_felt > 1 else None,
        styles=_styles(analysis, beats, beats // per_felt),
        notes=", then ".join(list(in_words)[:3]),
        low_bpm=low / per_felt,
        high_bpm=high / per_felt,
        tempo=_how_it_holds(analysis.tempo.drift_percent),
    )


def feel_text(feel: Feel) -> str:
    """For example '4/4, shuffle, swung 8ths (triplet swing)' or '6/8, felt in two, straight 16ths'."""
    meter = feel.meter
    if feel.other_meters:
        meter += f" (with bars of {', '.join(feel.other_meters)})"
    return ", ".join([meter, *feel.styles, feel.notes])


def tempo_text(feel: Feel) -> str:
    """The felt beat's tempo and how it holds: 'holds at 96 (95-97)', 'wanders 43-47, dotted quarters, around 45'."""
    bounds = f"{feel.low_bpm:.0f}-{feel.high_bpm:.0f}"
    moves = f"{feel.low_bpm:.0f}" != f"{feel.high_bpm:.0f}"
    if feel.holds or not moves:
        text = f"{feel.felt_bpm:.0f}" + (f" ({bounds})" if moves else "")
        text = f"holds at {text}"
    else:
        text = f"{feel.tempo} {bounds}, around {feel.felt_bpm:.0f}"
    if feel.felt_note == "quarter":
        return text
    eighths = f"; the eighths go at {feel.counted_bpm:.0f}" if feel.counted_bpm else ""
    return f"{text}, {feel.felt_note}s{eighths}"


def notes_text(section: GridSection, analysis: Analysis) -> str:
    """What lies between the beats: 'straight 16ths', 'swung 8ths, light swing', 'triplets'."""
    slots, unit = section.slots_per_beat, analysis.bars.unit
    if slots == 1:
        return "nothing between the beats"
    if slots in (3, 6):
        threes = {3: "8ths in threes", 6: "16ths in threes"} if analysis.settings.in_threes else None
        return (threes or {3: "triplets", 6: "sextuplets"})[slots]
    note = _NOTES[slots * unit]
    word = swing_word(section.swing_ratio)
    return f"straight {note}" if word == "straight" else f"swung {note} ({word})"


_NOTES = {2: "halves", 4: "quarters", 8: "8ths", 16: "16ths", 32: "32nds", 64: "64ths", 128: "128ths"}
"""By note value (arithmetic): a half or a quarter of any beat that a meter may have."""


def swing_word(ratio: float) -> str:
    """The word for a long : short ratio: swing_word(1.2) is 'light swing'."""
    return next((word for below, word in SWING_WORDS if ratio < below), HARD_SWING)


def _felt(analysis: Analysis, beats: int) -> tuple[int, str]:
    """How many counts make a felt beat, and its note: three eighths a dotted quarter where that can be felt."""
    if analysis.settings.in_threes:
        return 1, "dotted quarter"
    in_eighths = analysis.bars.unit == 8
    if in_eighths and beats % 3 == 0 and beats > 3 and analysis.tempo.bpm / 3 >= SLOWEST_FELT_BPM:
        return 3, "dotted quarter"
    return 1, "eighth" if in_eighths else "quarter"


def _styles(analysis: Analysis, beats: int, felt_beats: int) -> tuple[str, ...]:
    if analysis.bars.unit == 8 or analysis.settings.in_threes:
        numbers = {1: "one", 2: "two", 3: "three", 4: "four"}
        return (f"felt in {numbers[felt_beats]}",) if felt_beats in numbers else ()
    if beats != 4:
        return ()
    return tuple(style for style in (_backbeat(analysis), _two_feel(analysis), _swing_style(analysis)) if style)


def _backbeat(analysis: Analysis) -> str:
    """Half-time and double-time by where the snare falls."""
    for guide in analysis.guides:
        places = {place.label for place in guide.places}
        if guide.sound.drum == "snare" and guide.pattern_bars == 1:
            if places == {"3"}:
                return "half-time (backbeat on 3)"
            if places == {"1&", "2&", "3&", "4&"}:
                return "double-time (backbeat on every &)"
    return ""


def _two_feel(analysis: Analysis) -> str:
    """A bass that plays on 1 and 3 only."""
    low = [guide for guide in analysis.guides if guide.sound.centre_hz < _LOW_HZ]
    ones = [guide for guide in low if guide.pattern_bars == 1 and {place.label for place in guide.places} == {"1", "3"}]
    return "two-feel (bass on 1 and 3)" if ones and ones[0] is low[0] else ""


def _swing_style(analysis: Analysis) -> str:
    if not analysis.grid.sections or any(_swing(section) < _SHUFFLE_SWING for section in analysis.grid.sections):
        return ""
    return "shuffle" if any(_fills_eighths(guide) for guide in analysis.guides) else ""


def _swing(section: GridSection) -> float:
    return section.swing_ratio if section.slots_per_beat == 2 else 1.0


def _fills_eighths(guide: Guide) -> bool:
    eighths = {f"{count}{syllable}" for count in range(1, 5) for syllable in ("", "&")}
    labels = [{place.label for place in guide.places if place.bar == bar} for bar in range(1, guide.pattern_bars + 1)]
    return all(len(one & eighths) >= _SHUFFLE_FILL * len(eighths) for one in labels)


def _range(analysis: Analysis) -> tuple[float, float]:
    """The range of tempo, leaving out the slowest and the quickest bars."""
    bpm = analysis.tempo.bar_bpm
    if not len(bpm):
        return analysis.tempo.bpm, analysis.tempo.bpm
    low, high = np.percentile(bpm, [5, 95])
    return float(low), float(high)


def _how_it_holds(drift_percent: float) -> str:
    return HOLDS if drift_percent < _HOLDS_PERCENT else WANDERS if drift_percent < _WANDERS_PERCENT else CHANGES


def count_in_text(analysis: Analysis) -> str:
    """The spoken count-in: a bar of counts, and up to the pickup's first count: '1 2 3 4, 1 2 3, in on 4'."""
    beats = int(analysis.bars.beats_per_bar[0])
    bar = " ".join(str(count) for count in range(1, beats + 1))
    first = int(analysis.bars.count[0])
    if first == 1:
        return f"{bar}, in on 1"
    before = " ".join(str(count) for count in range(1, first))
    return f"{bar}, {before}, in on {first}"
