"""What a teacher would say about a take: faults with a shape in time, claimed only where nothing else explains them.

Each fault has its shapes (creeping over some bars, a slip that is taken back, a late return after a rest, a fill that
runs away). Every shape at every place, in every size, is compared with the player's usual wandering (wander.py). What
speaks for shapes of one kind about one place is added up, each weighted by its prior, so that a fault that fits several
neighbours fairly well counts as much as one that fits a single shape very well. A fault is named if it is clearly
likelier than mere wandering and all other kinds about there together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from pulsefind.core.records import Analysis, FloatArray, IntArray
from pulsefind.take.corrections import Course
from pulsefind.take.pattern import RARE_RATE
from pulsefind.take.wander import fit_wander, log_likelihood, log_ratios

CREEP, SLIP, LATE_RETURN, RUSHED_FILL = "creep", "slip", "late return", "rushed fill"

LEAST_MS = 20.0
"""Drummers hardly notice smaller faults (judged; 19 to 24 ms between two drums, from memory)."""

LEAST_LOG_ODDS, FURTHER_LOG_ODDS = 1.0, 3.0
"""Log odds from which the clearest fault is named, and every further one: who looks again finds more by accident.
Fitted to 1,000 takes of simulated players (`python -m eval take faults --takes 100 --seed 100000`, and 300000).
"""

SIZES_MS = LEAST_MS * 2.0 ** (np.arange(9) / 3)
"""Sizes that a fault may have, 20 to 127 ms, a third of an octave apart and equally likely (judged)."""

MOST_FINDINGS = 6  # judged: nobody works on more

_CREEP_BARS = (3, 4, 6, 8)  # judged: bars over which a player may creep
_SLIP_BARS = ((0.0, 0.15), (0.0, 0.3), (0.0, 0.6), (0.0, 1.0), (0.5, 0.3))
"""Bars that a slip is held for, and in which two thirds of it are then taken back (judged)."""
_RETURN_BARS = (*_SLIP_BARS, (1.0, 0.5))
"""The same for a late return (judged)."""
_GONE = 0.02  # judged: what is left of an error below this share is none
_FEWEST_NOTES = 40  # judged: from fewer the usual wandering can't be estimated
_REST_BARS = 0.9  # judged: a rest of about a bar
_JUMP_MS = 45.0
"""Within a fill, a note that far from the one before is on the neighbouring place; anywhere, one that far from both its
neighbours, on the same side, is misread or fumbled and has no shape (judged).
"""
_MOST_BARS, _SHARED_BARS = 64, 9
"""Every shape is tried at every note, which takes the square of a take's length: longer ones are looked at so many bars
at a time, with as many shared as the longest shape has (judged: a take of eighths then needs some 50 MB).
"""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault: kind, bars (indices), size in ms (negative: early), its log odds, those of any fault about there, and
    which shape it has.
    """

    kind: str
    first_bar: int
    last_bar: int
    size_ms: float
    log_odds: float
    any_log_odds: float
    shape: int


@dataclass(frozen=True, slots=True)
class _Shapes:
    """Shapes side by side: values (n_notes, n_shapes) up to 1; kind, first and last bar of each."""

    values: FloatArray
    kind: tuple[str, ...]
    first_bar: IntArray
    last_bar: IntArray


def find_faults(course: Course, analysis: Analysis, alone: IntArray, fills: IntArray) -> tuple[Fault, ...]:
    """The faults in a player's course, the clearest first; none in fewer than 40 notes."""
    parts = _parts(_cleaned(course, fills))
    found = [fault for part in parts for fault in _faults_in(part, analysis, alone, fills)]
    if len(parts) == 1:
        return tuple(found)
    kept: list[Fault] = []
    for fault in sorted(found, key=lambda fault: fault.log_odds, reverse=True):
        if not any(_touch(fault, other) for other in kept):
            kept.append(fault)
    return tuple(kept[:MOST_FINDINGS])


def _parts(course: Course) -> list[Course]:
    """The course in stretches of up to _MOST_BARS bars, evenly spaced, neighbours sharing _SHARED_BARS or more."""
    if not len(course.bar):
        return [course]
    first, bars = int(course.bar[0]), int(course.bar[-1] - course.bar[0]) + 1
    if bars <= _MOST_BARS:
        return [course]
    n = -(-(bars - _SHARED_BARS) // (_MOST_BARS - _SHARED_BARS))
    begins = first + np.round(np.linspace(0, bars - _MOST_BARS, n)).astype(np.int64)
    return [_notes(course, np.flatnonzero((course.bar >= b) & (course.bar < b + _MOST_BARS))) for b in begins]


def _notes(course: Course, kept: IntArray) -> Course:
    place = tuple(course.place[k] for k in kept.tolist())
    return Course(course.nominal_s[kept], course.residual_ms[kept], course.bar[kept], place)


def _touch(fault: Fault, other: Fault) -> bool:
    """Do two faults lie in the same bars, or in neighbouring ones?"""
    return other.first_bar - 1 <= fault.last_bar and other.last_bar + 1 >= fault.first_bar


def _faults_in(course: Course, analysis: Analysis, alone: IntArray, fills: IntArray) -> tuple[Fault, ...]:
    if len(course.nominal_s) < _FEWEST_NOTES:
        return ()
    shapes = _shapes(course, analysis, alone, fills)
    left = course.residual_ms - float(np.median(course.residual_ms))
    found: list[Fault] = []
    for _ in range(MOST_FINDINGS if shapes.kind else 0):
        fault = _likeliest(course.nominal_s, left, shapes)
        least = FURTHER_LOG_ODDS if found else LEAST_LOG_ODDS
        if fault is None or fault.any_log_odds < least:
            break
        # What remains of a fault after it has been taken out is not a second fault.
        new = not any(_touch(fault, other) for other in found)
        if new and fault.log_odds >= least and abs(fault.size_ms) >= LEAST_MS:
            found.append(fault)
        left = left - fault.size_ms * shapes.values[:, fault.shape]
    return tuple(found)


def _likeliest(time_s: FloatArray, left_ms: FloatArray, shapes: _Shapes) -> Fault | None:
    """The likeliest kind of fault about any place, by its likeliest shape; None if no shape makes anything likelier.

    The wandering of the whole course contains the fault and so is too wide: it tells the likeliest shape, and the one
    that is left without that shape tells how likely each is.
    """
    sizes_ms = np.r_[SIZES_MS, -SIZES_MS]
    prior = _prior(np.array(shapes.kind), sizes_ms)
    plain = fit_wander(time_s, left_ms)
    first = log_ratios(plain, time_s, left_ms, shapes.values, sizes_ms) + prior
    k, size = np.unravel_index(int(first.argmax()), first.shape)
    if not np.isfinite(first[k, size]):
        return None
    wander = fit_wander(time_s, left_ms - sizes_ms[size] * shapes.values[:, k])
    less = log_likelihood(wander, time_s, left_ms) - plain.fit
    both = log_ratios(wander, time_s, left_ms, shapes.values, sizes_ms) + prior + less
    return _fault(shapes, both, sizes_ms)


def _prior(kinds: np.ndarray, sizes_ms: FloatArray) -> FloatArray:
    """(k, m) log prior odds of shapes in sizes, over no fault: every kind as likely as none, and so are all its shapes.

    A return is late and a fill is rushed; creeping and slips go either way.
    """
    late = np.where(kinds[:, None] == LATE_RETURN, sizes_ms > 0, True)
    allowed = np.where(kinds[:, None] == RUSHED_FILL, sizes_ms < 0, late)
    result = np.full(allowed.shape, -np.inf)
    for kind in np.unique(kinds).tolist():
        member = (kinds == kind)[:, None] & allowed
        result[member] = -np.log(member.sum())
    return result


def _fault(shapes: _Shapes, log_odds: FloatArray, sizes_ms: FloatArray) -> Fault | None:
    """The likeliest kind about any place, from the log odds of every shape in every size (k, m)."""
    kinds, of_shape = np.array(shapes.kind), logsumexp(log_odds, axis=1)
    best: Fault | None = None
    for kind in np.unique(kinds[np.isfinite(of_shape)]).tolist():
        k = int(np.where(kinds == kind, of_shape, -np.inf).argmax())
        about = (shapes.first_bar <= shapes.last_bar[k] + 1) & (shapes.last_bar >= shapes.first_bar[k] - 1)
        mine, others = about & (kinds == kind), about & (kinds != kind)
        odds = float(logsumexp(of_shape[mine]) - logsumexp(np.r_[0.0, of_shape[others]]))
        if best is None or odds > best.log_odds:
            size_ms = float(np.exp(log_odds[k] - of_shape[k]) @ sizes_ms)
            any_odds = float(logsumexp(of_shape[about]))
            best = Fault(kind, int(shapes.first_bar[k]), int(shapes.last_bar[k]), size_ms, odds, any_odds, k)
    return best


def _cleaned(course: Course, fills: IntArray) -> Course:
    """The course without notes on places that the player hardly uses (misread, or thrown in), without those that jumped
    to a neighbouring place within a fill, and without single notes far out.
    """
    bars = max(1, len(np.unique(course.bar)))
    names, index = np.unique(np.array(course.place, dtype=str), return_inverse=True)
    rate = np.bincount(index, minlength=len(names))[index] / bars
    in_fill = np.isin(course.bar, fills)
    kept: list[int] = []
    for k, (filled, offset_ms) in enumerate(zip(in_fill, course.residual_ms, strict=True)):
        jumped = bool(kept) and abs(float(offset_ms) - float(course.residual_ms[kept[-1]])) > _JUMP_MS
        if (filled and not jumped) or (not filled and rate[k] >= RARE_RATE):
            kept.append(k)
    cleaned = _notes(course, np.array(kept, np.int64))
    return _notes(cleaned, np.flatnonzero(~_far_out(cleaned.residual_ms)))


def _far_out(offset_ms: FloatArray) -> np.ndarray:
    """(n,) which notes lie more than _JUMP_MS later, or earlier, than both neighbours; never the first or last."""
    step = np.diff(offset_ms, prepend=offset_ms[:1], append=offset_ms[-1:])
    result: np.ndarray = (np.minimum(np.abs(step[:-1]), np.abs(step[1:])) > _JUMP_MS) & (step[:-1] * step[1:] < 0)
    return result


def _shapes(course: Course, analysis: Analysis, alone: IntArray, fills: IntArray) -> _Shapes:
    start_s = np.r_[analysis.bars.start_s, analysis.bars.end_s]
    at = np.interp(course.nominal_s, start_s, np.arange(len(start_s)))
    rows: list[FloatArray] = []
    names: list[tuple[str, int, int]] = []

    def add(kind: str, values: FloatArray, first: float, last: float) -> None:
        if np.count_nonzero(values > 0.2) >= 2:
            rows.append(values)
            names.append((kind, int(first), int(np.ceil(last)) - 1))

    guided = np.setdiff1d(np.unique(course.bar), alone)
    for bar in guided.tolist():
        for length in _CREEP_BARS:
            for back in (0.0, 1.0):
                add(CREEP, _ramp(at, bar, bar + length, back), bar, bar + length)
    # Whatever moves within a fill is the fill's fault.
    for begin in at[np.isin(course.bar, np.setdiff1d(guided, fills))].tolist():
        for hold, fade in _SLIP_BARS:
            add(SLIP, _step(at, begin, hold, fade), begin, begin + hold + fade)
    for begin in _returns(course, at, alone):
        for hold, fade in _RETURN_BARS:
            add(LATE_RETURN, _step(at, begin, hold, fade), begin, begin + hold + fade)
    for bar in fills.tolist():
        for begin in (bar, bar + 0.5):
            for back in (0.0, 0.5, 1.0):
                add(RUSHED_FILL, _ramp(at, begin, bar + 1, back), bar, bar + 1)
    if not rows:
        return _Shapes(np.zeros((len(at), 0)), (), np.zeros(0, np.int64), np.zeros(0, np.int64))
    kinds, first, last = zip(*names, strict=True)
    return _Shapes(np.stack(rows, axis=1), kinds, np.array(first), np.array(last))


def _ramp(at: FloatArray, first: float, last: float, back: float) -> FloatArray:
    """0 before first, 1 at last, and back to 0 over `back` bars (at once where that is 0)."""
    rise = np.clip((at - first) / (last - first), 0.0, 1.0)
    fall = np.clip((last + back - at) / back, 0.0, 1.0) if back else np.where(at < last - 1e-6, 1.0, 0.0)
    shape: FloatArray = np.minimum(rise, fall)
    return shape


def _step(at: FloatArray, begin: float, hold: float, fade: float) -> FloatArray:
    """0 before begin, 1 from there on for `hold` bars, then taken back: what is left falls to 1 / e in `fade` bars.

    People take back a share of an error at every note (Vorberg and Schulze 2002), so what is left of it decays.
    """
    left = np.exp(-np.maximum(at - begin - hold, 0.0) / fade)
    shape: FloatArray = np.where((at < begin - 1e-6) | (left < _GONE), 0.0, left)
    return shape


def _returns(course: Course, at: FloatArray, alone: IntArray) -> list[float]:
    """Where playing begins again, in bars: after a rest of about a bar, and at the first note after bars alone."""
    gap = np.flatnonzero(np.diff(at) >= _REST_BARS) + 1
    carried = np.isin(course.bar, alone)
    after = np.flatnonzero(carried[:-1] & ~carried[1:]) + 1
    return sorted({float(at[k]) for k in np.r_[gap, after].astype(np.int64).tolist()})
