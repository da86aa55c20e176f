"""What a teacher would say about a take: faults with a shape in time, claimed only where nothing else explains them.

Each fault has its shapes (creeping over some bars, a slip that is taken back, a late return after a rest, a fill that
runs away). Every shape at every place is compared with the player's course less its usual wandering (wander.py). The
likeliest is named if it is clearly likelier than chance, and than every nearby shape with another name.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pulsefind.core.records import Analysis, FloatArray, IntArray
from pulsefind.take.corrections import Course
from pulsefind.take.pattern import RARE_RATE
from pulsefind.take.wander import Wander, fit_wander, whitened

CREEP, SLIP, LATE_RETURN, RUSHED_FILL = "creep", "slip", "late return", "rushed fill"

LEAST_MS = 20.0
"""Drummers hardly notice smaller faults (judged; 19 to 24 ms between two drums, from memory)."""

LEAST_GAIN = {CREEP: 7.5, SLIP: 8.0, LATE_RETURN: 4.0, RUSHED_FILL: 6.0}
"""Log likelihood ratio over mere wandering: shapes that may lie anywhere fit by accident more often than those tied to
a rest or a fill (fitted to simulated players without faults: `python -m eval take faults`).
"""

LEAST_MARGIN = 1.5
"""Log likelihood ratio over the best nearby shape with another name (judged)."""

MOST_FINDINGS = 6  # judged: nobody works on more

_CREEP_BARS = (3, 4, 6, 8)  # judged: bars over which a player may creep
_SLIP_BARS = ((0.0, 0.15), (0.0, 0.3), (0.0, 0.6), (0.0, 1.0), (0.5, 0.3))
"""Bars that a slip is held for, and in which two thirds of it are then taken back (judged)."""
_RETURN_BARS = (*_SLIP_BARS, (1.0, 0.5))
"""The same for a late return (judged)."""
_GONE = 0.02  # judged: what is left of an error below this share is none
_FEWEST_NOTES = 40  # judged: from fewer the usual wandering can't be estimated
_REST_BARS = 0.9  # judged: a rest of about a bar
_MOST_SPREADS = 8.0  # judged: a note further out counts as this far
_JUMP_MS = 45.0  # judged: within a fill, a note that far from the one before is on the neighbouring place
_MOST_BARS, _SHARED_BARS = 64, 9
"""Every shape is tried at every note, which takes the square of a take's length: longer ones are looked at so many bars
at a time, with as many shared as the longest shape has (judged: a take of eighths then needs some 50 MB).
"""
_TRIED, _ROUNDS = 4, 2  # judged: shapes of each kind that are fitted in full, and rounds of that


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault: its kind, bars (indices), size in ms (negative: early), log likelihood ratio, and which shape it has."""

    kind: str
    first_bar: int
    last_bar: int
    size_ms: float
    gain: float
    shape: int = 0


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
    for fault in sorted(found, key=_above, reverse=True):
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
        fits = _likeliest(course.nominal_s, left, shapes)
        if not fits:
            break
        best, *others = fits
        if best.gain < LEAST_GAIN[best.kind]:
            break
        near = [other for other in others if _touch(best, other)]
        clear = all(_above(best) - _above(other) >= LEAST_MARGIN for other in near)
        # What remains of a fault after it has been taken out is not a second fault.
        new = not any(_touch(best, other) for other in found)
        if new and clear and abs(best.size_ms) >= LEAST_MS:
            found.append(best)
        left = left - best.size_ms * shapes.values[:, best.shape]
    return tuple(found)


def _above(fault: Fault) -> float:
    return fault.gain - LEAST_GAIN[fault.kind]


def _likeliest(time_s: FloatArray, left_ms: FloatArray, shapes: _Shapes) -> list[Fault]:
    """The likeliest shape of each kind, the clearest first.

    First every shape is tried against the wandering of the whole course, which contains the fault and so is too wide;
    then, for the best few of each kind, a wandering fitted without the shape is compared with one fitted with it.
    """
    plain = fit_wander(time_s, left_ms)
    gain = _sized(plain, time_s, left_ms, shapes)[1]
    kinds = np.array(shapes.kind)
    found = []
    for kind in sorted(set(shapes.kind)):
        member = np.flatnonzero(kinds == kind)
        tried = [
            _refitted(time_s, left_ms, shapes, k, plain) for k in member[np.argsort(-gain[member])][:_TRIED].tolist()
        ]
        found.append(max(tried, key=lambda fault: fault.gain))
    return sorted(found, key=_above, reverse=True)


def _refitted(time_s: FloatArray, left_ms: FloatArray, shapes: _Shapes, k: int, plain: Wander) -> Fault:
    one = _Shapes(
        shapes.values[:, k : k + 1], shapes.kind[k : k + 1], shapes.first_bar[k : k + 1], shapes.last_bar[k : k + 1]
    )
    wander, size, gain = plain, 0.0, 0.0
    for _ in range(_ROUNDS):
        sizes, gains = _sized(wander, time_s, left_ms, one)
        if gains[0] <= 0:
            break
        size = float(sizes[0])
        wander = fit_wander(time_s, left_ms - size * one.values[:, 0])
        gain = wander.fit - plain.fit
    return Fault(shapes.kind[k], int(shapes.first_bar[k]), int(shapes.last_bar[k]), size, gain, k)


def _sized(wander: Wander, time_s: FloatArray, left_ms: FloatArray, shapes: _Shapes) -> tuple[FloatArray, FloatArray]:
    """Least squares size of every shape in ms, and its log likelihood ratio: 0 where its kind can't have that sign."""
    both = whitened(wander, time_s, np.c_[left_ms, shapes.values])
    # A single note far out, misread or fumbled, has no shape.
    row, shape = np.clip(both[:, 0], -_MOST_SPREADS, _MOST_SPREADS), both[:, 1:]
    power = np.maximum(np.square(shape).sum(axis=0), 1e-12)
    size = shape.T @ row / power
    return size, np.where(_allowed(np.array(shapes.kind), size), 0.5 * size**2 * power, 0.0)


def _cleaned(course: Course, fills: IntArray) -> Course:
    """The course without notes on places that the player hardly uses (misread, or thrown in), and without those within
    fills that jumped to a neighbouring place.
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
    return _notes(course, np.array(kept, np.int64))


def _allowed(kinds: np.ndarray, size: FloatArray) -> np.ndarray:
    """A return is late and a fill is rushed; creeping and slips go either way."""
    signed = np.where(kinds == LATE_RETURN, size > 0, np.where(kinds == RUSHED_FILL, size < 0, True))
    result: np.ndarray = signed
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
