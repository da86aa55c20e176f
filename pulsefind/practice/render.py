"""Practice audio from an analysis: which clicks, over which part of the track, after which count-in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pulsefind.core.errors import HintError
from pulsefind.core.limits import LONGEST_S
from pulsefind.core.records import Analysis, Bars, FloatArray
from pulsefind.guides.called import guide_index
from pulsefind.practice.clicks import (
    Clicks,
    Gap,
    count_in,
    guide_clicks,
    parse_places,
    place_clicks,
    thinned,
    with_gaps,
)
from pulsefind.practice.mix import Levels, Piece, Rendered, Score, render
from pulsefind.practice.spool import Spool
from pulsefind.report.planned import leading

LEAD_IN_S = 0.5
"""Silence before a count-in (judged): outputs need it to wake up, and the fade to rise."""

_AT_EDGE_S = 0.002  # judged: more than the rounding of typed times


@dataclass(frozen=True, slots=True)
class Part:
    """start_s..end_s of the track, played `times` times without a seam; None instead of a part: the whole
    track, once.
    """

    start_s: float
    end_s: float
    times: int = 1


@dataclass(frozen=True, slots=True)
class Plan:
    """What to click: places as typed (or 'guide'), which guide, accents, and how the help fades.

    guide: a guide's name or number as typed; None is the one that leads, bar by bar. accent: None accents the 1, except
    on the guide's own places. thin: bars per stage. count_in_bars come first. reveal_bars: in a ladder, the beats are
    revealed after so many.
    """

    places: str = "beats"
    guide: str | None = None
    accent: bool | None = None
    gap: Gap | None = None
    thin: int | None = None
    count_in_bars: int = 1
    reveal_bars: int = 8

    def __post_init__(self) -> None:
        """Refuse a ladder that would never reveal anything."""
        if self.reveal_bars < 1:
            raise HintError(f"--reveal {self.reveal_bars}: at least one bar must come before the beats are revealed")


@dataclass(frozen=True, slots=True)
class Practice:
    """Everything that practice audio is made from."""

    analysis: Analysis
    spool: Spool
    plan: Plan
    part: Part | None
    levels: Levels


def bars_part(bars: Bars, first: int, last: int, times: int) -> Part:
    """The part that bars first..last (indices, both included) fill."""
    end_s = float(bars.start_s[last + 1]) if last + 1 < len(bars.start_s) else bars.end_s
    return Part(float(bars.start_s[first]), end_s, times)


def check_part(part: Part | None, duration_s: float, speed: float = 1.0) -> None:
    """Refuse an empty part, one outside the track, and practice audio that would go on for hours.

    Raises
    ------
    HintError
        if it is.
    """
    length_s = duration_s if part is None else (part.end_s - part.start_s) * part.times
    if length_s / speed > LONGEST_S:
        hours = length_s / speed / 3600
        raise HintError(
            f"that would sound for {hours:.1f} hours; up to {LONGEST_S // 3600} can be written; play less of it"
        )
    if part is None:
        return
    if part.end_s <= part.start_s or part.start_s >= duration_s:
        raise HintError(f"the range {part.start_s:.2f}-{part.end_s:.2f} s is empty: the track has {duration_s:.2f} s")
    if not 1 <= part.times <= 1000:
        raise HintError(f"--times {part.times}: a loop can be played from 1 to 1000 times")


def check_beats(analysis: Analysis) -> None:
    """Refuse a track in which no beat was found.

    Raises
    ------
    HintError
        if it is one.
    """
    if not len(analysis.beats.time_s):
        raise HintError("no steady beat was found, so there is nothing to click on; name its tempo with --bpm 80:100")


def clicks_for(analysis: Analysis, plan: Plan, part: Part | None) -> Clicks:
    """The clicks of a plan over the whole track or a part of it; gaps are counted from its first bar.

    Raises
    ------
    HintError
        if no beat was found, a place can't be clicked, or there is no such guide.
    """
    check_beats(analysis)
    if plan.gap is not None and plan.thin is not None:
        raise HintError("--clickless and --thin: give one of them")
    follows_guide = plan.places.strip().lower() == "guide"
    accent = not follows_guide if plan.accent is None else plan.accent
    if follows_guide:
        clicks = guide_clicks(analysis, followed(analysis, plan), accent)
    else:
        clicks = place_clicks(analysis, parse_places(plan.places, analysis.bars), accent)
    first_bar = int(analysis.bars.bar_of_beat[_first_beat(analysis, part)])
    clicks = _within(clicks, part)
    if plan.gap is not None:
        _check_gap(plan.gap, bars_played(analysis, part))
        clicks = with_gaps(clicks, analysis.bars, first_bar, plan.gap)
    if plan.thin is not None:
        ones = _within(place_clicks(analysis, parse_places("1", analysis.bars), accent), part)
        clicks = thinned(clicks, analysis.bars, first_bar, plan.thin, ones)
    return clicks


def followed(analysis: Analysis, plan: Plan) -> int | None:
    """The guide asked for, or None for the plan's guides; refused if there is nothing to follow."""
    if plan.guide is not None:
        return guide_index(analysis.guides, plan.guide)
    if leading(analysis) is None:
        raise HintError("--on guide: no guide was found in this track; click on counts instead, like --on '2 4'")
    return None


def bars_played(analysis: Analysis, part: Part | None) -> int:
    """How many bars of the song are heard, partial ones included; repeats don't count."""
    start_s = analysis.bars.start_s
    if part is None:
        return len(start_s)
    ends_s = np.r_[start_s[1:], analysis.bars.end_s]
    return int(np.sum((start_s < part.end_s - _AT_EDGE_S) & (ends_s > part.start_s + _AT_EDGE_S)))


def _check_gap(gap: Gap, n_bars: int) -> None:
    if gap.off >= n_bars:
        raise HintError(f"--clickless {gap.on}:{gap.off}: {n_bars} bars are played; leave fewer of them without clicks")


def _within(clicks: Clicks, part: Part | None) -> Clicks:
    """The clicks that fall into a part; one at its very end belongs to what follows."""
    if part is None:
        return clicks
    return clicks.keep((clicks.time_s >= part.start_s - _AT_EDGE_S) & (clicks.time_s < part.end_s - _AT_EDGE_S))


def _counted_in(analysis: Analysis, plan: Plan, part: Part | None) -> Clicks:
    """The clicks of the count-in, which end before the first beat that is played."""
    return count_in(analysis, _first_beat(analysis, part), plan.count_in_bars)


def _first_beat(analysis: Analysis, part: Part | None) -> int:
    if part is None:
        return 0
    first = int(np.searchsorted(analysis.beats.time_s, part.start_s - _AT_EDGE_S))
    if first >= len(analysis.beats.time_s) or analysis.beats.time_s[first] >= part.end_s:
        raise HintError(f"no beat lies in the range {part.start_s:.2f}-{part.end_s:.2f} s; choose a longer one")
    return first


def write_practice(practice: Practice, path: Path, force: bool) -> Rendered:
    """Render the clicks of the plan with the track, as the levels say.

    Raises
    ------
    HintError
        if the plan can't be clicked on this track.
    OutputError
        if the file can't be written.
    """
    clicks = clicks_for(practice.analysis, practice.plan, practice.part)
    return render(practice.spool, scored(practice, clicks), practice.levels, path, force)


def scored(practice: Practice, clicks: Clicks) -> Score:
    """These clicks with the track, after the plan's count-in."""
    before = _counted_in(practice.analysis, practice.plan, practice.part)
    return score_for(practice.spool, clicks, before, practice.part)


def score_for(spool: Spool, clicks: Clicks, before: Clicks, part: Part | None) -> Score:
    """Lay track, clicks and count-in (`before`) out in frames.

    Without a count-in, the result starts where the track or the part starts. Each round of a repeated part has a whole
    number of frames, so that rounds neither drift nor jump.
    """
    start, length = 0, spool.n
    if part is not None:
        edges = np.round(spool.position(np.array([part.start_s, part.end_s]))).astype(int)
        start, length = int(edges[0]), int(edges[1] - edges[0])
    times = 1 if part is None else part.times
    played = spool.position(clicks.time_s) - start
    leading = spool.position(before.time_s) - start
    lead = _lead(leading, spool.rate_hz)
    rounds = [lead + k * length for k in range(times)]
    at = np.concatenate([lead + leading, *(first + played for first in rounds)])
    accent = np.concatenate([before.accent, *(clicks.accent for _ in rounds)])
    order = np.argsort(at, kind="stable")
    pieces = tuple(Piece(first, start, length, first != rounds[-1]) for first in rounds)
    return Score(lead + times * length, pieces, at[order], accent[order])


def _lead(leading: FloatArray, rate_hz: int) -> int:
    """Frames before the part: room for the count-in and the silence ahead of it."""
    return max(0, int(np.ceil(LEAD_IN_S * rate_hz - leading[0]))) if len(leading) else 0
