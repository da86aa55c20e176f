"""What is measured on a take's matched hits: offsets by section, place and kind, drift, swing, corrections, gains."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.nearest import distance
from pulsefind.core.records import Analysis, FloatArray, GridSection, IntArray
from pulsefind.take.corrections import Course, course_of, find_corrections
from pulsefind.take.doubt import SAME_ATTACK_S
from pulsefind.take.matching import Matched
from pulsefind.take.pattern import RARE_RATE
from pulsefind.take.places import alone_bars
from pulsefind.take.records import (
    Drift,
    Movement,
    PlaceSummary,
    Played,
    Section,
    Summary,
    SwingSection,
    Timing,
)
from pulsefind.take.steering import gains_of

HISTOGRAM_EDGES_MS = tuple(float(v) for v in range(-90, 91, 10))
"""Bounds of the bins in which a place's offsets are counted (judged); the outer bins take whatever lies beyond."""

SHORT_NOTE_MS, SHORT_NOTICEABLE_MS, NOTICEABLE_SHARE = 240.0, 6.0, 0.025
"""Just noticeable displacement in a row of notes: 6 ms below 240 ms, 2.5 % above (Friberg and Sundberg 1995)."""

_HABIT_HITS = 6  # judged: the kind's habit counts as so many hits of each place
_SWING_PAIRS = 8  # judged: from fewer pairs no ratio is told
_BACK_MS = 10.0  # judged: a player whose bar's mean is this close is back
_DRIFT_HITS, _LAST_NOTES = 6, 4  # judged: hits from which a drift is told; the last ones say where it ended


@dataclass(frozen=True, slots=True)
class Measures:
    """What was measured, and what it rests on.

    habit_ms: (n_hits,) the usual offset of each hit's place and kind; course: offsets less habit, stroke by stroke;
    alone: the bars (indices) without anything to follow.
    """

    timing: Timing
    movement: Movement
    habit_ms: FloatArray
    course: Course
    alone: IntArray


def measure(matched: Matched, analysis: Analysis, level_unit: str) -> Measures:
    """Measure matched hits, of which there must be some."""
    played, alone = matched.played, alone_bars(analysis)
    habit_ms = habits(played, alone, matched.fills)
    # A stroke thrown in beside those of the pattern says nothing of the player's course; within a fill all is new.
    in_fill = np.isin(played.bar, matched.fills)
    course = course_of(played, habit_ms, in_fill | of_pattern(played, ~in_fill))
    drifts = drifts_of(course, analysis)
    timing = Timing(
        summary(played.offset_ms),
        {kind: summary(played.offset_ms[is_kind(played.kind, kind)]) for kind in sorted(set(played.kind))},
        sections_of(played, analysis, alone, matched.fills),
        places_of(played, level_unit),
        HISTOGRAM_EDGES_MS,
        noticeable(played),
    )
    movement = Movement(
        drifts,
        swing_of(played, matched, analysis),
        find_corrections(course, analysis, drifts, alone),
        gains_of(matched, analysis, habit_ms, alone),
    )
    return Measures(timing, movement, habit_ms, course, alone)


def summary(offset_ms: FloatArray) -> Summary:
    """Mean, standard deviation and number."""
    if not len(offset_ms):
        return Summary(0.0, 0.0, 0)
    return Summary(float(np.mean(offset_ms)), float(np.std(offset_ms)), len(offset_ms))


def is_kind(names: tuple[str, ...], name: str) -> NDArray[np.bool_]:
    """(n,) which of some kinds or places have a name."""
    return np.array([n == name for n in names], np.bool_)


def habits(played: Played, alone: IntArray, fills: IntArray) -> FloatArray:
    """(n_hits,) the usual offset of each hit's place and kind, shrunk towards the kind's where the place is rare.

    Only bars with something to follow and without fills count, or all bars if those are too few; and of each kind only
    the places it uses: strokes thrown in between may lie anywhere, and a kind with no others has the whole's habit.
    """
    steady = ~np.isin(played.bar, np.r_[alone, fills])
    if steady.sum() < 0.3 * len(steady):
        steady = np.ones(len(steady), np.bool_)
    whole = float(np.median(played.offset_ms[steady]))
    habit = np.empty(len(steady))
    keys = list(zip(played.place, played.kind, strict=True))
    members = {key: np.array([k == key for k in keys]) for key in set(keys)}
    steady &= of_pattern(played, steady)
    for key, member in members.items():
        of_kind = is_kind(played.kind, key[1]) & steady
        kind_ms = float(np.median(played.offset_ms[of_kind])) if of_kind.any() else whole
        here = played.offset_ms[member & steady]
        # The median, since bars in which an error is being corrected are no habit.
        own_ms = float(np.median(here)) if len(here) else kind_ms
        habit[member] = (len(here) * own_ms + _HABIT_HITS * kind_ms) / (len(here) + _HABIT_HITS)
    return habit


def of_pattern(played: Played, steady: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n_hits,) which lie on places that their kind uses in the steady bars; all where it uses none so often."""
    keys = list(zip(played.place, played.kind, strict=True))
    struck = Counter(key for key, counts in zip(keys, steady, strict=True) if counts)
    fewest = RARE_RATE * len(np.unique(played.bar[steady]))
    used = np.array([struck[key] >= fewest for key in keys], np.bool_)
    return used if used.any() else np.ones(len(keys), np.bool_)


def noticeable(played: Played) -> float:
    """The displacement, in ms, that a listener just notices at the usual spacing of this player's notes."""
    spaces = np.diff(np.unique(played.nominal_s))
    space_ms = 1000 * float(np.median(spaces)) if len(spaces) else 500.0
    return SHORT_NOTICEABLE_MS if space_ms < SHORT_NOTE_MS else NOTICEABLE_SHARE * space_ms


def sections_of(played: Played, analysis: Analysis, alone: IntArray, fills: IntArray) -> tuple[Section, ...]:
    """The bars from the first to the last played one, in runs: with a guide, alone, or a fill."""
    first, last = int(played.bar.min()), int(played.bar.max())
    name = np.array(["with a guide" if analysis.guides else "without a guide"] * (last + 1), dtype=object)
    name[[b for b in alone if b <= last]] = "alone"
    name[[b for b in fills if b <= last]] = "fill"
    ends = analysis.bars.ends_s
    found = []
    start = first
    for bar in range(first, last + 1):
        if bar < last and name[bar + 1] == name[bar]:
            continue
        inside = (played.bar >= start) & (played.bar <= bar)
        found.append(
            Section(
                str(name[bar]),
                int(analysis.bars.number[start]),
                int(analysis.bars.number[bar]),
                float(analysis.bars.start_s[start]),
                float(ends[bar]),
                summary(played.offset_ms[inside]),
            )
        )
        start = bar + 1
    return tuple(found)


def places_of(played: Played, level_unit: str) -> tuple[PlaceSummary, ...]:
    """Every place and kind that was struck, in order within the bar; bars: how many had anything played in them."""
    own_level = _own_level(played, level_unit)
    bars = len(np.unique(played.bar))
    keys = sorted(set(zip(played.position_beats.tolist(), played.place, played.kind, strict=True)))
    seen: dict[tuple[str, str], float] = {}
    for position, place, kind in keys:
        seen.setdefault((place, kind), position)
    edges = np.array(HISTOGRAM_EDGES_MS)
    found = []
    for (place, kind), position in seen.items():
        member = is_kind(played.place, place) & is_kind(played.kind, kind)
        offset = played.offset_ms[member]
        level = played.level[member & own_level]
        counts, _ = np.histogram(np.clip(offset, edges[0], edges[-1]), edges)
        found.append(
            PlaceSummary(
                place,
                float(position),
                kind,
                summary(offset),
                bars,
                float(np.mean(level)) if len(level) else None,
                tuple(int(c) for c in counts),
            )
        )
    return tuple(found)


def _own_level(played: Played, level_unit: str) -> NDArray[np.bool_]:
    """(n_hits,) is the level the hit's own? In a recording, a cymbal struck together with a snare shows the snare's."""
    if level_unit != "dB":
        return np.ones(len(played.time_s), np.bool_)
    snare_s = np.unique(played.time_s[is_kind(played.kind, "snare")])
    if not len(snare_s):
        return np.ones(len(played.time_s), np.bool_)
    under = distance(snare_s, played.time_s) <= SAME_ATTACK_S
    return np.asarray(~(is_kind(played.kind, "cymbal") & under))


def drifts_of(course: Course, analysis: Analysis) -> tuple[Drift, ...]:
    """Tempo in every stretch alone of two bars or more in which enough was played."""
    if not analysis.guides:
        return ()
    found = []
    ends = analysis.bars.ends_s
    for stretch in analysis.alone:
        n_bars = stretch.last_bar - stretch.first_bar + 1
        inside = (course.bar >= stretch.first_bar) & (course.bar <= stretch.last_bar)
        if n_bars < 2 or inside.sum() < _DRIFT_HITS:
            continue
        start_s, end_s = float(analysis.bars.start_s[stretch.first_bar]), float(ends[stretch.last_bar])
        bar_s = (end_s - start_s) / n_bars
        at_bar = (course.nominal_s[inside] - end_s) / bar_s
        slope, error = _slope_with_error(at_bar, course.residual_ms[inside])
        # The last notes say where the stretch ended; a line through all of it would average out the wandering.
        last = slice(-_LAST_NOTES, None)
        level = float(np.mean(course.residual_ms[inside][last] - slope * at_bar[last]))
        n_beats = int(analysis.bars.beats[stretch.first_bar : stretch.last_bar + 1].sum())
        track_bpm = 60.0 * n_beats / (end_s - start_s)
        found.append(
            Drift(
                int(analysis.bars.number[stretch.first_bar]),
                int(analysis.bars.number[stretch.last_bar]),
                slope,
                error,
                track_bpm / (1 + slope / (1000 * bar_s)),
                track_bpm,
                level,
                _bars_until_back(course, stretch.last_bar),
            )
        )
    return tuple(found)


def _slope_with_error(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Least squares slope and its standard error, widened for neighbours that share their error."""
    centred = x - x.mean()
    power = float(centred @ centred)
    if power <= 0:
        return 0.0, 0.0
    slope = float(centred @ y) / power
    level = float(y.mean()) - slope * float(x.mean())
    rest = y - level - slope * x
    error = float(np.sqrt(rest @ rest / max(1, len(x) - 2) / power))
    shared = float(np.clip(rest[1:] @ rest[:-1] / (rest @ rest), 0.0, 0.95)) if rest @ rest > 0 else 0.0
    return slope, error * float(np.sqrt((1 + shared) / (1 - shared)))


def _bars_until_back(course: Course, last_bar: int) -> int | None:
    """How many bars after a stretch a bar's mean offset is as usual again; None if it never is."""
    for bar in np.unique(course.bar[course.bar > last_bar]):
        here = course.residual_ms[course.bar == bar]
        limit = max(_BACK_MS, 2 * float(np.std(here)) / np.sqrt(len(here)))
        if abs(float(here.mean())) <= limit:
            return int(bar) - last_bar
    return None


def swing_of(played: Played, matched: Matched, analysis: Analysis) -> tuple[SwingSection, ...]:
    """Swing ratios over runs of bars that share a grid."""
    found = (_swing_of(played, run, analysis, run.first_bar, run.last_bar) for run in matched.grid)
    return tuple(section for section in found if section is not None)


def _swing_of(played: Played, grid: GridSection, analysis: Analysis, first: int, last: int) -> SwingSection | None:
    """Where the second note of each pair falls between the firsts, as the ratio of the long to the short part."""
    inside = (played.bar >= first) & (played.bar <= last)
    within = played.position_beats % 1.0
    if grid.slots_per_beat == 3:
        late = inside & (np.abs(within - 2 / 3) < 0.01)
        middle = inside & (np.abs(within - 1 / 3) < 0.01)
        pair, on_grid = 1.0, inside & (np.minimum(within, 1 - within) < 0.01)
        if middle.sum() > 0.2 * late.sum():
            return None
    elif grid.slots_per_beat in (2, 4):
        pair = 2.0 / grid.slots_per_beat
        phase = within % pair / pair
        on = np.minimum(phase, 1 - phase) < 0.05
        late, on_grid = inside & ~on, inside & on
    else:
        return None
    if late.sum() < _SWING_PAIRS or on_grid.sum() < _SWING_PAIRS:
        return None
    beat_ms = _beat_ms(analysis, played.bar)
    nominal_share = within % pair / pair
    # The second note relative to the mean of the firsts: a constant offset of all notes is no swing.
    lean = float(np.mean(played.offset_ms[on_grid] / beat_ms[on_grid])) / pair
    share = nominal_share[late] + played.offset_ms[late] / beat_ms[late] / pair - lean
    mean = float(np.clip(np.mean(share), 0.05, 0.95))
    error = float(np.std(share) / np.sqrt(len(share))) / (1 - mean) ** 2
    track = analysis.grid.at(first)
    track_ratio = 2.0 if track.slots_per_beat == 3 else track.swing_ratio
    return SwingSection(
        int(analysis.bars.number[first]),
        int(analysis.bars.number[last]),
        mean / (1 - mean),
        error,
        track_ratio,
        int(late.sum()),
    )


def _beat_ms(analysis: Analysis, bar: IntArray) -> FloatArray:
    value: FloatArray = 60000.0 / analysis.tempo.bar_bpm[bar]
    return value
