"""The plan in words, stretch by stretch: what to follow in which bars, the same on every surface."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from pulsefind.core.corrections import section_at
from pulsefind.core.counts import SYLLABLES, label
from pulsefind.core.records import Analysis, FloatArray, Guide
from pulsefind.core.words import bars_text, clock, field, listed
from pulsefind.guides.called import called
from pulsefind.guides.plan import plan_parts

GUIDE, BAND, ALONE = "guide", "band", "alone"

MOST_CARRIED = 0.5
"""If no guide leads but at most this share of the beats lacks a sound of its own, the band still pulses: no single
sound repeats, yet there is something to follow. Judged on seven such stretches of five songs: 0 to 0.36 in six that
pulse or nearly do, 0.78 and 0.83 in a free opening and a break with only a pad.
"""

MOST_ROWS = 16  # judged: a plan that is read at a glance
_BARS_WIDTH = 19  # characters of 'bars 100-108 0:00?', about (arithmetic)

_AS_WORDS = {2: {4: "8th", 8: "16th"}, 4: {4: "16th", 8: "32nd"}}  # by slots a beat and unit (arithmetic)


@dataclass(frozen=True, slots=True)
class PlanLine:
    """A stretch of bars first_bar..last_bar (indices, both included) and what leads in it.

    kind is 'guide', 'band' (no one sound repeats, but it pulses) or 'alone'. guide is the guide's index or None, name
    what it is called, places where it falls; bars and what are ready to be shown: 'bars 13-15', 'kick on 1 and 3', and
    beside 'bars 1-4' 'alone, 0:02-0:10: you carry the time'.
    """

    first_bar: int
    last_bar: int
    kind: str
    guide: int | None
    bars: str
    name: str
    places: str
    what: str
    start_s: float
    end_s: float


def plan_lines(analysis: Analysis) -> tuple[PlanLine, ...]:
    """The plan, one line for each stretch with one guide in one section; empty without bars."""
    names = called(analysis.guides)
    return tuple(
        _line(analysis, names, first, last, part.guide)
        for part in plan_parts(analysis.plan)
        for first, last in _by_section(analysis, part.first_bar, part.last_bar)
    )


def _by_section(analysis: Analysis, first: int, last: int) -> list[tuple[int, int]]:
    """Bars (indices, both included) cut where a section that the song's file names begins or ends."""
    sections = analysis.settings.corrections.sections
    of = [section_at(sections, int(number)) for number in analysis.bars.number[first : last + 1]]
    cuts = [first, *(first + k for k in range(1, len(of)) if of[k] != of[k - 1]), last + 1]
    return [(begin, end - 1) for begin, end in pairwise(cuts)]


def _line(analysis: Analysis, names: tuple[str, ...], first: int, last: int, guide: int | None) -> PlanLine:
    number, edges = analysis.bars.number, bar_edges(analysis)
    bars = bars_text(int(number[first]), int(number[last]))
    when = f"{clock(float(edges[first]))}-{clock(float(edges[last + 1]))}"
    if guide is not None:
        kind, name, places = GUIDE, names[guide], falls(analysis.guides[guide], analysis)
        what = f"{name} on {places}"
    elif _pulses(analysis, first, last):
        kind, name, places = BAND, "the band", ""
        what = f"the band's pulse, {when}: no one sound repeats"
    else:
        kind, name, places = ALONE, "alone", ""
        what = f"alone, {when}: you carry the time"
    section = section_at(analysis.settings.corrections.sections, int(number[first]))
    what = f"{section.name}: {what}" if section else what
    return PlanLine(first, last, kind, guide, bars, name, places, what, float(edges[first]), float(edges[last + 1]))


def bar_edges(analysis: Analysis) -> FloatArray:
    """(n_bars + 1,) where bars start, and where the last one ends, s."""
    edges: FloatArray = analysis.bars.start_s.copy()
    edges.resize(len(edges) + 1)
    edges[-1] = analysis.bars.end_s
    return edges


def _pulses(analysis: Analysis, first: int, last: int) -> bool:
    bars = analysis.bars
    carried = analysis.beats.carried[bars.first_beat[first] : bars.first_beat[last] + bars.beats[last]]
    return bool(len(carried)) and float(carried.mean()) <= MOST_CARRIED


def leading(analysis: Analysis) -> int | None:
    """The guide that leads first (its index); without a plan the best one, None without guides."""
    first = next((guide for guide in analysis.plan if guide is not None), None)
    return first if first is not None or not analysis.guides else 0


def falls(guide: Guide, analysis: Analysis) -> str:
    """Where a guide falls, as spoken: '2& and 4&', 'every beat', 'every 8th', '1e and 3a, then 2&'.

    The bars of a longer pattern are joined with 'then'; an empty one is 'nothing'.
    """
    beats = analysis.bars.usual_beats or 4
    told = []
    for bar in range(1, guide.pattern_bars + 1):
        labels = [place.label for place in guide.places if place.bar == bar]
        told.append(_whole(labels, beats, analysis) or (listed(labels) if labels else "nothing"))
    return ", then ".join(told)


def _whole(labels: list[str], beats: int, analysis: Analysis) -> str:
    """A bar that is filled evenly has a name."""
    if len(labels) < 3:
        return ""
    counts = range(1, beats + 1)
    if labels == [str(count) for count in counts]:
        return "every beat" if analysis.bars.unit == 4 or analysis.settings.in_threes else "every 8th"
    if labels == [f"{count}&" for count in counts]:
        return "every &"
    for slots, names in _AS_WORDS.items():
        if labels == [label(count, slot, slots) for count in counts for slot in range(slots)]:
            return f"every {names[analysis.bars.unit]}"
    if labels == [label(count, slot, 3) for count in counts for slot in range(3)]:
        return "every 8th" if analysis.settings.in_threes else "every triplet"
    return _same_in_every_beat(labels, beats)


def _same_in_every_beat(labels: list[str], beats: int) -> str:
    """'& and a of every beat' where all beats are filled alike."""
    known = {syllable for names in SYLLABLES.values() for syllable in names}
    syllables = [name[1:] for name in labels if name.startswith("1") and name[1:] in known]
    if len(syllables) < 2 or labels != [
        f"{count}{syllable}" for count in range(1, beats + 1) for syllable in syllables
    ]:
        return ""
    return f"{listed([syllable or 'the beat' for syllable in syllables])} of every count"


def plan_rows(analysis: Analysis, name: str, doubtful: tuple[tuple[int, int], ...] = ()) -> list[str]:
    """The plan as lines of a report's field; a stretch that meets doubtful bars (first, last) has a question mark."""
    rows = []
    for line in plan_lines(analysis):
        unsure = any(first <= line.last_bar and line.first_bar <= last for first, last in doubtful)
        rows.append((f"{line.bars}{' ?' if unsure else ''}", line.what))
    if len(rows) > MOST_ROWS:
        hidden = len(rows) - MOST_ROWS + 1
        rows = [*rows[: MOST_ROWS - 1], ("", f"and {hidden} more stretches: `pulsefind page` draws them all")]
    lines: list[str] = []
    for bars, what in rows:
        lines += field("" if lines else name, what, f"{bars:<{_BARS_WIDTH}}" if bars else "")
    return lines
