"""How an error was taken back: over how many bars, and how evenly the notes of the bar shared it.

Common practice, no source: a good correction widens or narrows all spaces of the bar by the same ratio (where 10
becomes 11, it becomes 11 everywhere); the opposite is one jump. The course of the offset over a correction is therefore
a ramp: level before, straight over the notes that share the correction, level after. The ramp is fitted by least
squares over all its beginnings and ends, so that a note's own looseness weighs little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pulsefind.records import Analysis, FloatArray, IntArray
from pulsefind.take_records import Correction, CorrectionNote, Drift, Played

LEAST_MS = 20.0
"""Smaller errors than this are within what players do all the time (19-24 ms is what drummers notice between
sounds).
"""

_MOST_BARS_BACK = 8
_SLIP_NOTES = 5
_SETTLED_NOTES = 6
_MOST_NOTES = 96


@dataclass(frozen=True, slots=True)
class Course:
    """One row of strokes: nominal_s, residual_ms (offset less what is usual for place and kind), bar, place, (n,)
    each.
    """

    nominal_s: FloatArray
    residual_ms: FloatArray
    bar: IntArray
    place: tuple[str, ...]


def course_of(played: Played, usual_ms: FloatArray) -> Course:
    """Strokes that share a place joined to their mean; usual_ms (n,) is the habit of each hit's place and kind."""
    if not len(played.time_s):
        nothing = np.zeros(0)
        return Course(nothing, nothing, np.zeros(0, np.int64), ())
    nominal, index = np.unique(played.nominal_s, return_inverse=True)
    count = np.bincount(index)
    residual = np.bincount(index, played.offset_ms - usual_ms) / count
    first = np.array([int(np.flatnonzero(index == k)[0]) for k in range(len(nominal))])
    return Course(nominal, residual, played.bar[first], tuple(played.place[k] for k in first))


@dataclass(frozen=True, slots=True)
class Ramp:
    """Level before, level after, and the notes (indices) at which the change begins and ends."""

    first: int
    last: int
    before_ms: float
    after_ms: float


def fit_ramp(nominal_s: FloatArray, offset_ms: FloatArray) -> Ramp | None:
    """The level-ramp-level course with the least squared error; None for fewer than 4 notes."""
    n = min(len(nominal_s), _MOST_NOTES)
    if n < 4:
        return None
    t, y = nominal_s[:n], offset_ms[:n]
    first, last = np.triu_indices(n, 1)
    rise = np.clip((t[None, :] - t[first][:, None]) / (t[last] - t[first])[:, None], 0.0, 1.0)
    # Least squares of y on (1, rise) for every pair at once.
    mean_rise = rise.mean(axis=1)
    centred = rise - mean_rise[:, None]
    power = np.maximum(np.square(centred).sum(axis=1), 1e-12)
    slope = centred @ y / power
    error = np.square(y - y.mean()).sum() - slope**2 * power
    best = int(error.argmin())
    before = float(y.mean() - slope[best] * mean_rise[best])
    return Ramp(int(first[best]), int(last[best]), before, before + float(slope[best]))


def find_corrections(
    course: Course, analysis: Analysis, drifts: tuple[Drift, ...], alone_bars: IntArray
) -> tuple[Correction, ...]:
    """Corrections after alone stretches and after slips, in order of time."""
    number = analysis.bars.number
    found = []
    for drift in drifts:
        last_index = int(np.flatnonzero(number == drift.last_bar)[0])
        found.append(_after_alone(course, analysis, last_index, drift))
    taken = [c for c in found if c is not None]
    taken += _after_slips(course, analysis, alone_bars, taken)
    return tuple(sorted(taken, key=lambda c: c.start_s))


def _after_alone(course: Course, analysis: Analysis, last_index: int, drift: Drift) -> Correction | None:
    if abs(drift.end_offset_ms) < LEAST_MS:
        return None
    ends = np.r_[analysis.bars.start_s[1:], analysis.bars.end_s]
    end_s = float(ends[last_index])
    bar_s = float(ends[last_index] - analysis.bars.start_s[last_index])
    window = (course.nominal_s >= end_s - 1.01 * bar_s) & (course.nominal_s <= end_s + (_MOST_BARS_BACK + 0.01) * bar_s)
    t, y = course.nominal_s[window], course.residual_ms[window].copy()
    before = t < end_s - 1e-6
    if before.sum() < 2 or (~before).sum() < 4:
        return None
    # Within the stretch the offset drifts; against its own course the error is level.
    y[before] -= drift.ms_per_bar * (t[before] - t[before][-1]) / bar_s
    return _correction("alone", course, analysis, np.flatnonzero(window), t, y, bar_s)


def _after_slips(course: Course, analysis: Analysis, alone_bars: IntArray, known: list[Correction]) -> list[Correction]:
    """Excursions outside the alone stretches: several notes in a row far off, then back."""
    y = course.residual_ms
    if len(y) < 4 * _SLIP_NOTES:
        return []
    calm = ~np.isin(course.bar, alone_bars)
    scale = 1.4826 * float(np.median(np.abs(y[calm] - np.median(y[calm])))) if calm.any() else 0.0
    smooth = np.convolve(y, np.ones(_SLIP_NOTES) / _SLIP_NOTES, "same")
    limit = max(LEAST_MS, 3.0 * scale)
    far = (np.abs(smooth) > limit) & calm
    edge = np.flatnonzero(np.diff(np.r_[0, far.astype(np.int8), 0]))
    ends = np.r_[analysis.bars.start_s[1:], analysis.bars.end_s]
    found = []
    for first, last in zip(edge[::2], edge[1::2], strict=True):
        start_s = float(course.nominal_s[first])
        if any(c.start_s - 1.0 <= start_s <= c.end_s + 1.0 for c in known) or last - first < _SLIP_NOTES - 1:
            continue
        bar = int(course.bar[first])
        bar_s = float(ends[bar] - analysis.bars.start_s[bar])
        peak = first + int(np.abs(smooth[first:last]).argmax())
        stop_s = float(course.nominal_s[min(last, len(y) - 1)]) + bar_s
        index = np.flatnonzero((np.arange(len(y)) >= peak - 2) & (course.nominal_s <= stop_s))
        correction = _correction("slip", course, analysis, index, course.nominal_s[index], y[index], bar_s)
        if correction is not None:
            found.append(correction)
    return found


def _correction(
    cause: str,
    course: Course,
    analysis: Analysis,
    index: IntArray,
    t: FloatArray,
    y: FloatArray,
    bar_s: float,
) -> Correction | None:
    settled = _settled(y)
    ramp = fit_ramp(t[:settled], y[:settled])
    if ramp is None:
        return None
    size = ramp.after_ms - ramp.before_ms
    # Only what brings the player nearer to the track is a correction.
    if abs(size) < LEAST_MS or abs(ramp.after_ms) > abs(ramp.before_ms):
        return None
    start_s, end_s = float(t[ramp.first]), float(t[ramp.last])
    bars = max(1, round((end_s - start_s) / bar_s))
    note_s = float(np.median(np.diff(t)))
    room = bars * bar_s - note_s
    share = (end_s - start_s - note_s) / room if room > 0 else 1.0
    share = float(np.clip(share, 0.0, 1.0))
    stretch = 1 + size / 1000 / (end_s - start_s)
    number = analysis.bars.number
    return Correction(
        cause,
        int(number[int(course.bar[int(index[ramp.first])])]),
        int(number[int(course.bar[int(index[ramp.last])])]),
        start_s,
        end_s,
        size,
        bars,
        share,
        stretch,
        _notes(course, index[ramp.first :], t[ramp.first :], y[ramp.first :], bars * bar_s, size),
    )


def _settled(y: FloatArray) -> int:
    """How many notes to look at: up to a few notes after the offset has come back and stays."""
    level = float(np.median(y[:3]))
    back = np.abs(y) < max(8.0, 0.3 * abs(level))
    run = 0
    for k, calm in enumerate(back):
        run = run + 1 if calm else 0
        if run >= _SETTLED_NOTES and k >= 7:
            return min(len(y), k + _SETTLED_NOTES)
    return len(y)


def _notes(
    course: Course, index: IntArray, t: FloatArray, y: FloatArray, length_s: float, size_ms: float
) -> tuple[CorrectionNote, ...]:
    """The spaces over the bars of the correction: as written, as played, and as an even correction would have them."""
    inside = t <= t[0] + length_s + 1e-6
    index, t, y = index[inside], t[inside], y[inside]
    if len(t) < 2:
        return ()
    written = 1000 * np.diff(t)
    even = written * (1 + size_ms / (1000 * float(t[-1] - t[0])))
    played = written + np.diff(y)
    return tuple(
        CorrectionNote(course.place[int(i)], float(w), float(p), float(e))
        for i, w, p, e in zip(index[:-1], written, played, even, strict=True)
    )
