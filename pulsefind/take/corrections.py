"""How an error was taken back: over how many bars, and how evenly the notes of the bar shared it.

Common practice, no source: a good correction widens or narrows all spaces of the bar by the same ratio (where 10
becomes 11, it becomes 11 everywhere); the opposite is one jump. The course of the offset over a correction is therefore
a ramp: level before, straight over the notes that share the correction, level after. Every beginning and end counts
by how well it fits, so that the looseness of single notes matters little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.arrays import runs
from pulsefind.core.records import Analysis, FloatArray, IntArray
from pulsefind.take.records import Correction, CorrectionNote, Drift, Played

LEAST_MS = 20.0
"""Players make smaller errors than this all the time (judged; drummers notice 19 to 24 ms between two drums:
from memory)."""

_MOST_BARS_BACK = 8  # judged: after a stretch alone, the bars in which its error may be taken back
_SLIP_NOTES = 5  # judged: so many notes in a row make a slip, and are averaged to find it
_SETTLED_NOTES = 6  # judged: so many notes near the usual offset say that the player is back
_FEWEST_NOTES, _MOST_NOTES = 5, 96  # one more than are fitted (arithmetic); judged: every pair of notes is tried
_FITTED = 4  # parameters of a ramp: two levels, beginning and end (arithmetic)
_LEAST_NOISE_MS = 1.0  # judged: nobody plays tighter
_THROWN_IN = 1e-6  # judged: weight of a stroke thrown in, so that it decides only where there is no other
_ABOUT = 0.2  # judged: a correction "over the whole bar" may be a fifth shorter or longer


@dataclass(frozen=True, slots=True)
class Course:
    """One row of strokes, (n,) each: nominal_s, residual_ms (offset less the usual one of place and kind),
    bar, place.
    """

    nominal_s: FloatArray
    residual_ms: FloatArray
    bar: IntArray
    place: tuple[str, ...]


def course_of(played: Played, usual_ms: FloatArray, telling: NDArray[np.bool_] | None = None) -> Course:
    """Strokes on the same place, joined to their mean; usual_ms (n,) is the habit of each hit's place and kind.

    telling (n,): which strokes count where a place has several; None: all.
    """
    if not len(played.time_s):
        nothing = np.zeros(0)
        return Course(nothing, nothing, np.zeros(0, np.int64), ())
    nominal, index = np.unique(played.nominal_s, return_inverse=True)
    weight = np.ones(len(index)) if telling is None else np.where(telling, 1.0, _THROWN_IN)
    residual = np.bincount(index, weight * (played.offset_ms - usual_ms)) / np.bincount(index, weight)
    first = np.array([int(np.flatnonzero(index == k)[0]) for k in range(len(nominal))])
    return Course(nominal, residual, played.bar[first], tuple(played.place[k] for k in first))


@dataclass(frozen=True, slots=True)
class Ramp:
    """The likeliest level before, level after, and notes (indices) at which the change begins and ends.

    spread_share: its expected value over all ramps, each weighted by how well it fits: 0 for a change from one note to
    the next, 1 for one shared by all notes of its bars.
    """

    first: int
    last: int
    before_ms: float
    after_ms: float
    spread_share: float


def fit_ramp(nominal_s: FloatArray, offset_ms: FloatArray, notes_per_bar: float) -> Ramp | None:
    """The level-ramp-level course that fits offsets (n,) at times (n,) best; None for fewer than 5 notes.

    Every beginning and end is tried, with least squares levels and normal noise of the best fit's variance. At a
    player's noise no single fit says much about the length, so the share is a mean over all of them.
    """
    n = min(len(nominal_s), _MOST_NOTES)
    if n < _FEWEST_NOTES:
        return None
    t, y = nominal_s[:n], offset_ms[:n]
    first, last = np.triu_indices(n, 1)
    rise = np.clip((t[None, :] - t[first][:, None]) / (t[last] - t[first])[:, None], 0.0, 1.0)
    # Least squares of y on (1, rise) for every pair at once.
    mean_rise = rise.mean(axis=1)
    centred = rise - mean_rise[:, None]
    power = np.maximum(np.square(centred).sum(axis=1), 1e-12)
    slope = centred @ y / power
    error = np.maximum(0.0, np.square(y - y.mean()).sum() - slope**2 * power)
    variance = float(error.min()) / (n - _FITTED) + _LEAST_NOISE_MS**2
    steps = last - first
    log = np.log(_prior(steps, notes_per_bar)) - 0.5 * error / variance
    weight = np.exp(log - log.max())
    best = int(log.argmax())
    share = float(weight @ _share(steps, notes_per_bar) / weight.sum())
    before = float(y.mean() - slope[best] * mean_rise[best])
    return Ramp(int(first[best]), int(last[best]), before, before + float(slope[best]), share)


def _prior(steps: IntArray, notes_per_bar: float) -> FloatArray:
    """Prior probability of a change over so many steps from note to note (common practice, no source).

    Half of them are jumps; the others are shared, by all notes of one or two bars rather than by some.
    """
    bars = steps / notes_per_bar
    whole = sum(
        part / (k * notes_per_bar) * np.exp(-0.5 * ((bars - k) / (_ABOUT * k)) ** 2)
        for k, part in ((1, 0.3), (2, 0.15))
    )
    prior: FloatArray = np.where(steps == 1, 0.5, whole + 1e-3)
    return prior


def _share(steps: IntArray, notes_per_bar: float) -> FloatArray:
    """(n,) 0 where one step takes all of it, 1 where all steps of the bars share it."""
    room = _whole_bars(steps, notes_per_bar) * notes_per_bar - 1
    share: FloatArray = np.where(room > 0, np.clip((steps - 1) / np.maximum(room, 1e-9), 0.0, 1.0), 1.0)
    return share


def _whole_bars(steps: IntArray, notes_per_bar: float) -> FloatArray:
    bars: FloatArray = np.maximum(1.0, np.round(steps / notes_per_bar))
    return bars


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
    ends = analysis.bars.ends_s
    end_s = float(ends[last_index])
    bar_s = float(ends[last_index] - analysis.bars.start_s[last_index])
    window = (course.nominal_s >= end_s - 1.01 * bar_s) & (course.nominal_s <= end_s + (_MOST_BARS_BACK + 0.01) * bar_s)
    t, y = course.nominal_s[window], course.residual_ms[window].copy()
    before = t < end_s - 1e-6
    if before.sum() < 2 or (~before).sum() < 4:
        return None
    # Within the stretch the offset drifts; measured from that drift, the error is level.
    y[before] -= drift.ms_per_bar * (t[before] - t[before][-1]) / bar_s
    return _correction("alone", course, analysis, np.flatnonzero(window), t, y, bar_s)


def _after_slips(course: Course, analysis: Analysis, alone_bars: IntArray, known: list[Correction]) -> list[Correction]:
    """Excursions outside the stretches alone: several notes in a row far off, then back."""
    y = course.residual_ms
    if len(y) < 4 * _SLIP_NOTES:
        return []
    calm = ~np.isin(course.bar, alone_bars)
    scale = 1.4826 * float(np.median(np.abs(y[calm] - np.median(y[calm])))) if calm.any() else 0.0
    smooth = np.convolve(y, np.ones(_SLIP_NOTES) / _SLIP_NOTES, "same")
    limit = max(LEAST_MS, 3.0 * scale)
    far = (np.abs(smooth) > limit) & calm
    ends = analysis.bars.ends_s
    found = []
    for first, last in runs(far):
        start_s = float(course.nominal_s[first])
        if any(c.start_s - 1.0 <= start_s <= c.end_s + 1.0 for c in known) or last + 1 - first < _SLIP_NOTES - 1:
            continue
        bar = int(course.bar[first])
        bar_s = float(ends[bar] - analysis.bars.start_s[bar])
        peak = first + int(np.abs(smooth[first : last + 1]).argmax())
        stop_s = float(course.nominal_s[min(last + 1, len(y) - 1)]) + bar_s
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
    notes_per_bar = bar_s / float(np.median(np.diff(t))) if len(t) > 1 else 1.0
    ramp = fit_ramp(t[:settled], y[:settled], notes_per_bar)
    if ramp is None:
        return None
    size = ramp.after_ms - ramp.before_ms
    # Only what brings the player nearer to the track is a correction.
    if abs(size) < LEAST_MS or abs(ramp.after_ms) > abs(ramp.before_ms):
        return None
    start_s, end_s = float(t[ramp.first]), float(t[ramp.last])
    bars = int(_whole_bars(np.array([ramp.last - ramp.first]), notes_per_bar)[0])
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
        ramp.spread_share,
        stretch,
        _notes(course, index[ramp.first :], t[ramp.first :], y[ramp.first :], bars * bar_s, size),
    )


def _settled(y: FloatArray) -> int:
    """How many notes to look at: until a few notes after the offset has come back to stay."""
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
