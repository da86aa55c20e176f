"""The bar as counted, with what a guide strikes in brackets: '1 (2&)', never wider than the report."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pulsefind.core.counts import SYLLABLES, within_beat
from pulsefind.core.records import Analysis, Guide

SILENT = "\N{MIDDLE DOT}"


@dataclass(frozen=True, slots=True)
class Count:
    """One count of a bar: its label ('2&'), where it lies (0..1 of the bar), on a beat or between, struck or not."""

    label: str
    share: float
    on_beat: bool
    struck: bool


def counted_bars(analysis: Analysis, guide: Guide) -> tuple[tuple[Count, ...], ...]:
    """The bars of a guide's pattern, count by count, on the coarsest counting that has all of its places.

    A second half that repeats the first is left out.
    """
    section = analysis.grid.at(_first_bar(analysis, guide))
    syllables = _syllables(guide, section.slots_per_beat, analysis.settings.in_threes)
    within = {syllable: within_beat(section, syllable) for syllable in syllables}
    beats = analysis.bars.usual_beats
    bars = tuple(_counted(guide, bar, beats, within) for bar in range(1, guide.pattern_bars + 1))
    half = len(bars) // 2
    return bars[:half] if half and bars[:half] == bars[half:] else bars


def _counted(guide: Guide, bar: int, beats: int, within: dict[str, float]) -> tuple[Count, ...]:
    struck = {place.label for place in guide.places if place.bar == bar}
    return tuple(
        Count(name, (count - 1 + at) / beats, syllable == "", name in struck)
        for count in range(1, beats + 1)
        for syllable, at in sorted(within.items(), key=lambda item: item[1])
        for name in (f"{count}{syllable}",)
    )


def _syllables(guide: Guide, slots: int, in_threes: bool) -> set[str]:
    """The same with one way of counting: the grid's own if it is the coarsest with all places, else all
    counts needed.
    """
    needed = {place.label.lstrip("0123456789") for place in guide.places} | {""}
    open_ways = [n for n in sorted(SYLLABLES) if not in_threes or n in (1, 3, 6)]
    ways = [set(SYLLABLES[n]) for n in sorted(open_ways, key=lambda n: (len(SYLLABLES[n]), n != slots))]
    return next((way for way in ways if needed <= way), needed)


def _first_bar(analysis: Analysis, guide: Guide) -> int:
    if guide.coverage:
        return guide.coverage[0].first_bar
    return int(np.argmax(analysis.bars.number >= 1))


def count_rows(bars: tuple[tuple[Count, ...], ...], width: int) -> list[str]:
    """The bars as text, no row wider than width: struck counts in brackets, silent ones between the beats as dots.

    Rows break before a beat. The bars of a longer pattern are joined with 'then'.
    """
    rows = []
    for number, bar in enumerate(bars):
        head = "then " if number else ""
        rows += [row.rstrip() for row in _rows(bar, width - len("then "), head)]
    return rows


def _rows(bar: tuple[Count, ...], width: int, head: str) -> list[str]:
    rows = [head]
    for beat in _beats(bar):
        text = " ".join(_shown(count) for count in beat)
        gap = "" if rows[-1] in ("", head) else "  "
        if rows[-1] not in ("", head) and len(rows[-1]) + len(gap) + len(text) > width:
            rows.append(" " * len(head))
            gap = ""
        rows[-1] += gap + text
    return rows


def _beats(bar: tuple[Count, ...]) -> list[list[Count]]:
    beats: list[list[Count]] = []
    for count in bar:
        if count.on_beat:
            beats.append([])
        beats[-1].append(count)
    return beats


def _shown(count: Count) -> str:
    if count.struck:
        return f"({count.label})"
    return count.label if count.on_beat else SILENT
