"""What is said in words wherever something is told: times, bars, places, grids; and lines of a report."""

from __future__ import annotations

import textwrap

from pulsefind.core.records import Analysis, GridSection, Guide, Stretch

WIDTH = 80
"""Columns that every text for a terminal is wrapped to: common practice, no source."""

INDENT = 10
"""The column in which the text of a report's field begins: the longest name and a space."""


def time_text(time_s: float) -> str:
    """Minutes and seconds to the hundredth: 83.456 is '1:23.46'."""
    hundredths = round(time_s * 100)
    return f"{hundredths // 6000}:{hundredths // 100 % 60:02d}.{hundredths % 100:02d}"


def field(name: str, text: str) -> list[str]:
    """A line of the report, wrapped: its name at the left, the text in a column beside it."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=name.ljust(INDENT),
        subsequent_indent=" " * INDENT,
        break_on_hyphens=False,
    )


def grid_name(section: GridSection, unit: int) -> str:
    """The subdivision in words, for example 'swung 8ths (1.7 : 1)'."""
    n, ratio = section.slots_per_beat, section.swing_ratio
    note = {1: unit, 2: 2 * unit, 4: 4 * unit}.get(n)
    if n == 1:
        return "nothing between the beats"
    if note is None:
        return {3: "triplets", 6: "triplets, halved"}[n]
    return f"straight {note}ths" if ratio == 1.0 else f"swung {note}ths ({ratio:.1f} : 1)"


def places_text(guide: Guide) -> str:
    """The places in words: '2& and 4&'; longer patterns name the bar: '2& (bar 1), 1e and 3 (bar 2)'."""
    parts = []
    for bar in range(1, guide.pattern_bars + 1):
        labels = [place.label for place in guide.places if place.bar == bar]
        if labels:
            named = listed(labels)
            parts.append(f"{named} (bar {bar} of {guide.pattern_bars})" if guide.pattern_bars > 1 else named)
    return ", ".join(parts)


def listed(words: list[str]) -> str:
    """Words in a row: 'a', 'a and b', 'a, b and c'."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def stretches_text(stretches: tuple[Stretch, ...], analysis: Analysis, most: int = 5) -> str:
    """Bars in words: 'bars 1-16 and 21-40'; the numbers count from the first full bar, a pickup is bar 0."""
    number = analysis.bars.number
    names = []
    for stretch in stretches:
        first, last = int(number[stretch.first_bar]), int(number[stretch.last_bar])
        names.append(str(first) if first == last else f"{first}-{last}")
    if len(names) > most:
        names = [*names[:most], f"{len(names) - most} more stretches"]
    word = "bar" if len(names) == 1 and "-" not in names[0] else "bars"
    return f"{word} {listed(names)}"


def percent(share: float) -> str:
    """A probability in percent, never as if it were certain: from '1 %' to '99 %'."""
    return f"{min(99, max(1, round(100 * share)))} %"


def bars_text(first: int, last: int | None = None) -> str:
    """'bar 3', 'bars 3-5'; numbers count from the first full bar, and what stands before it is 'the pickup'."""
    if first == 0:
        return f"up to bar {last}" if last else "the pickup"
    return f"bars {first}-{last}" if last is not None and last != first else f"bar {first}"
