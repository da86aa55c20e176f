"""Where clicks fall: places typed as counts, laid on the beats that were found, so that they follow the track.

All times are seconds of the track; a count-in comes before the first beat, so its times may be negative. Count-in, gaps
and thinning are common practice among teachers, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.counts import FADING, SYLLABLES, backbeat, count_in_beat_s, every_so_many, parse_label, within_beat
from pulsefind.core.errors import HintError
from pulsefind.core.hints import parse_whole
from pulsefind.core.limits import LONGEST_PATTERN
from pulsefind.core.records import Analysis, Bars, FloatArray, Guide, IntArray

SAME_CLICK_S = 0.005
"""Two clicks closer than this are one (judged)."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One place to click on: count (None: every count) and syllable, in bar number `bar` (from 1) of every `of` bars.

    on_backbeat keeps only the counts that are the backbeat of their bar.
    """

    count: int | None
    syllable: str
    bar: int = 1
    of: int = 1
    on_backbeat: bool = False


@dataclass(frozen=True, slots=True)
class Gap:
    """Clicks for on bars, none for off bars; with a seed the gap lies anywhere in each round of on + off bars."""

    on: int
    off: int
    seed: int | None = None


@dataclass(frozen=True, slots=True)
class Clicks:
    """Clicks in order: time_s (n,), accent (n,) for the higher sound, bar (n,) index of the bar each falls in."""

    time_s: FloatArray
    accent: NDArray[np.bool_]
    bar: IntArray

    def keep(self, mask: NDArray[np.bool_]) -> Clicks:
        """The clicks that the mask (n,) selects."""
        return Clicks(self.time_s[mask], self.accent[mask], self.bar[mask])


def parse_places(text: str, bars: Bars) -> tuple[Asked, ...]:
    """Read places as typed: 'beats', '1', '1 every 4' (bars), '2 4', 'backbeat', '&' (on all counts), '2& then 1e'.

    Commas and spaces separate places, 'then' joins the bars of a longer pattern.

    Raises
    ------
    HintError
        if a count is unknown, or lies outside every meter of the track.
    """
    _refuse_old_ways(text)
    parts = re.split(r"\bthen\b", text.lower())
    if len(parts) > LONGEST_PATTERN:
        raise HintError(f"--on: a pattern of {len(parts)} bars; up to {LONGEST_PATTERN} can be clicked")
    asked = [
        place
        for number, part in enumerate(parts, 1)
        for place in _parse_bar(part.replace(",", " ").split(), number, len(parts))
    ]
    if not asked:
        raise HintError("--on names no place; say for example beats, 1, '2 4', '2& 4&' or guide")
    most = int(bars.beats_per_bar.max()) if len(bars.beats_per_bar) else 0
    for place in asked:
        if place.count is not None and place.count > most:
            raise HintError(
                f"--on {place.count}{place.syllable}: the track's bars have no more than {most} counts; "
                "leave it out, or correct the meter with --meter"
            )
    return tuple(asked)


def _refuse_old_ways(text: str) -> None:
    """To a drummer 1/4 is a note value, and | a bar line."""
    if "/" in text:
        raise HintError(f"--on {text}: for the 1 of every 4th bar write '1 every 4'")
    if "|" in text:
        raise HintError(f"--on {text}: join the bars of a pattern with then, like '2& 4& then 1'")


def _parse_bar(words: list[str], number: int, n_bars: int) -> Iterator[Asked]:
    """The places of one bar of a pattern; 'every 4' after them spreads them over so many bars."""
    of = n_bars
    if "every" in words:
        at = words.index("every")
        words, every = words[:at], words[at + 1 :]
        if n_bars > 1:
            raise HintError("--on: every so many bars, or bars joined with then, not both")
        spread = parse_whole(every[0]) if len(every) == 1 else None
        if spread is None or not 1 <= spread <= LONGEST_PATTERN:
            raise HintError(f"--on: write '1 every 2' or '1 every 4', up to '1 every {LONGEST_PATTERN}'")
        of = spread
    for word in words:
        yield _parse_place(word, number, of)


def _parse_place(word: str, bar: int, of: int) -> Asked:
    if word == "beats":
        return Asked(None, "", bar, of)
    if word == "backbeat":
        return Asked(None, "", bar, of, on_backbeat=True)
    if word in {name for names in SYLLABLES.values() for name in names if name}:
        return Asked(None, word, bar, of)
    try:
        count, syllable = parse_label(word)
    except HintError as error:
        raise HintError(f"--on: {error}") from None
    return Asked(count, syllable, bar, of)


def guide_places(guide: Guide) -> tuple[Asked, ...]:
    """The places that a guide falls on."""
    return tuple(Asked(*parse_label(place.label), place.bar, guide.pattern_bars) for place in guide.places)


def swung(analysis: Analysis, ratio: float) -> Analysis:
    """The same analysis on a grid with this long : short ratio; 1 is straight. Triplet grids stay as they are.

    Raises
    ------
    HintError
        if the ratio is not within 1..4.
    """
    if not 1.0 <= ratio <= 4.0:
        raise HintError(f"--swing {ratio:g}: a long : short ratio from 1 (straight) to 4 can be clicked")
    sections = tuple(
        replace(section, slots_per_beat=max(2, section.slots_per_beat), swing_ratio=ratio)
        if section.slots_per_beat in (1, 2, 4)
        else section
        for section in analysis.grid.sections
    )
    return replace(analysis, grid=replace(analysis.grid, sections=sections))


def place_clicks(analysis: Analysis, asked: tuple[Asked, ...], accent_ones: bool) -> Clicks:
    """Lay the places asked for on every bar.

    A bar too short for a place goes without it. Places between two beats are interpolated, so that clicks follow the
    track's own drift. No bars give no clicks. With accent_ones, a click on the 1 is accented.
    """
    bars = analysis.bars
    edge_s = analysis.edges_s
    rows: list[tuple[float, bool, int]] = []
    for bar in range(len(bars.beats)):
        section = analysis.grid.at(bar)
        first = int(bars.first_beat[bar])
        counts = bars.count[first : first + int(bars.beats[bar])]
        for place in asked:
            if (int(bars.number[bar]) - 1) % place.of != place.bar - 1:
                continue
            within = within_beat(section, place.syllable)
            for k in _counts_of(place, counts, int(bars.beats_per_bar[bar])):
                start_s, end_s = edge_s[first + k], edge_s[first + k + 1]
                is_one = bool(counts[k] == 1) and within == 0.0
                rows.append((float(start_s + within * (end_s - start_s)), accent_ones and is_one, bar))
    return _in_order(rows)


def _counts_of(place: Asked, counts: IntArray, beats: int) -> list[int]:
    """The beats of a bar (indices) that a place lies on, or after."""
    if place.count:
        return [k for k, count in enumerate(counts) if count == place.count]
    wanted = backbeat(beats) if place.on_backbeat else None
    return [k for k, count in enumerate(counts) if wanted is None or str(count) in wanted]


def _in_order(rows: list[tuple[float, bool, int]]) -> Clicks:
    """Sort; of simultaneous clicks one stays, accented if any of them is."""
    kept: list[tuple[float, bool, int]] = []
    for time_s, accent, bar in sorted(rows):
        if kept and time_s - kept[-1][0] < SAME_CLICK_S:
            kept[-1] = (kept[-1][0], kept[-1][1] or accent, kept[-1][2])
        else:
            kept.append((time_s, accent, bar))
    return Clicks(
        np.array([row[0] for row in kept]),
        np.array([row[1] for row in kept], np.bool_),
        np.array([row[2] for row in kept], np.int64),
    )


def guide_clicks(analysis: Analysis, guide: int | None, accent_ones: bool) -> Clicks:
    """Clicks where a guide (index) falls, in the bars in which it sounds; None: the one that leads in each bar."""
    parts = []
    for k in sorted({lead for lead in analysis.plan if lead is not None}) if guide is None else [guide]:
        one = analysis.guides[k]
        clicks = place_clicks(analysis, guide_places(one), accent_ones)
        sounds = np.zeros(len(analysis.bars.beats), np.bool_)
        for stretch in one.coverage:
            sounds[stretch.first_bar : stretch.last_bar + 1] = True
        if guide is None:
            sounds = np.array([lead == k for lead in analysis.plan], np.bool_)
        parts.append(clicks.keep(sounds[clicks.bar]))
    return reduce(merge, parts, Clicks(np.zeros(0), np.zeros(0, np.bool_), np.zeros(0, np.int64)))


def merge(first: Clicks, second: Clicks) -> Clicks:
    """Both sets of clicks in order; where they coincide, one click."""
    rows = [
        (float(t), bool(a), int(b))
        for clicks in (first, second)
        for t, a, b in zip(clicks.time_s, clicks.accent, clicks.bar, strict=True)
    ]
    return _in_order(rows)


def parse_gap(text: str, seed: int | None) -> Gap:
    """Read '4:4' as four bars with clicks, four without.

    Raises
    ------
    HintError
        if it can't be understood or either side is zero.
    """
    on, colon, off = text.partition(":")
    n_on, n_off = parse_whole(on), parse_whole(off)
    if not colon or n_on is None or n_off is None:
        raise HintError(f"--clickless {text}: write bars with and bars without clicks, like 4:4")
    if n_on < 1 or n_off < 1:
        raise HintError(f"--clickless {text}: both sides need at least one bar")
    return Gap(n_on, n_off, seed)


def with_gaps(clicks: Clicks, bars: Bars, first_bar: int, gap: Gap) -> Clicks:
    """Leave out the clicks in the silent bars, counted from first_bar; a pickup belongs to the bar after it."""
    silent = silent_bars(len(bars.beats) - first_bar, gap)
    order = _order(clicks, bars, first_bar)
    return clicks.keep(~silent[order]) if len(silent) else clicks


def silent_bars(n_bars: int, gap: Gap) -> NDArray[np.bool_]:
    """(n_bars,) which bars are silent. The first never is; a random gap is one run in each round, seeded."""
    silent = np.zeros(n_bars, np.bool_)
    rng = np.random.default_rng(gap.seed)
    for start in range(0, n_bars, gap.on + gap.off):
        offset = gap.on if gap.seed is None else int(rng.integers(1 if start == 0 else 0, gap.on + 1))
        silent[start + offset : start + offset + gap.off] = True
    return silent


def thinned(clicks: Clicks, bars: Bars, first_bar: int, every: int, ones: Clicks) -> Clicks:
    """Help that fades: all clicks for so many bars, then only the 1, every second 1, every fourth 1, then none.

    ones: the clicks on the 1.

    Raises
    ------
    HintError
        if every is below 1.
    """
    if every < 1:
        raise HintError(f"--thin {every}: each stage needs at least one bar")
    full = clicks.keep(_order(clicks, bars, first_bar) < every)
    order = _order(ones, bars, first_bar)
    sparse = np.zeros(len(order), np.bool_)
    for stage, on in enumerate(FADING[1:-1], 1):
        inside = (order // every == stage) & (ones.bar >= first_bar)
        sparse |= inside & ((bars.number[ones.bar] - 1) % every_so_many(on) == 0)
    return merge(full, ones.keep(sparse))


def _order(clicks: Clicks, bars: Bars, first_bar: int) -> IntArray:
    """(n,) how many bars each click lies after the first one played; a pickup counts with the bar that follows."""
    start = max(1, int(bars.number[first_bar])) if len(bars.number) else 1
    order: IntArray = np.maximum(0, bars.number[clicks.bar] - start)
    return order


def count_in(analysis: Analysis, beat: int, n_bars: int) -> Clicks:
    """Clicks that count n_bars bars before a beat (index), at the tempo of the bar that follows.

    If the beat isn't a 1 (a pickup), the missing counts of its bar are clicked as well: with a pickup on 4, one bar of
    count-in is 1 2 3 4 1 2 3. The 1 is accented.

    Raises
    ------
    HintError
        if n_bars is not within 0..8.
    """
    if not 0 <= n_bars <= 8:
        raise HintError(f"--count-in {n_bars}: from 0 to 8 bars can be counted in")
    bars = analysis.bars
    bar = int(bars.bar_of_beat[beat])
    meter, count = int(bars.beats_per_bar[bar]), int(bars.count[beat])
    beat_s = count_in_beat_s(analysis.beats, bars, beat)
    n = n_bars * meter + count - 1 if n_bars else 0
    back = np.arange(n, 0, -1)
    return Clicks(
        analysis.beats.time_s[beat] - back * beat_s, (count - 1 - back) % meter == 0, np.full(n, bar, np.int64)
    )


def bar_index(bars: Bars, number: int) -> int:
    """The index of the bar with this number, as the report counts them (0 is a pickup).

    Raises
    ------
    HintError
        if the track has no such bar.
    """
    found = np.flatnonzero(bars.number == number)
    if not len(found):
        first, last = (int(bars.number[0]), int(bars.number[-1])) if len(bars.number) else (0, 0)
        raise HintError(f"--bars: there is no bar {number}; the track has bars {first} to {last}")
    return int(found[0])


def parse_bars(text: str, bars: Bars) -> tuple[int, int]:
    """Read '9-16' as the indices of bars 9 and 16, both included; '9' alone is one bar.

    Raises
    ------
    HintError
        if it can't be understood, is empty, or names a bar that the track lacks.
    """
    start, dash, end = text.partition("-")
    first, last = parse_whole(start), parse_whole(end if dash else start)
    if first is None or last is None:
        raise HintError(f"--bars {text}: write it like 9-16")
    if last < first:
        raise HintError(f"--bars {text}: the range is empty; the first bar comes first, like 9-16")
    return bar_index(bars, first), bar_index(bars, last)
