"""What is left of a player's course when their usual wandering is taken out.

A player's offset wanders: each note inherits most of the error of the one before, so eight early notes in a row may be
a single accident seen eight times. The wandering is modelled as a decaying random walk with white motor noise on top
(Ornstein-Uhlenbeck; the continuous form of the linear correction models of Vorberg and Schulze 2002), and a Kalman
filter turns the course into independent innovations. The same filter, applied to a shape, shows what that shape would
look like among them; a matched filter then says how large it is, and how certain.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from pulsefind.core.records import FloatArray

DECAY_S = (0.15, 0.3, 0.6, 1.2)
"""The times tried in which two thirds of an error decay: people correct a tenth to two thirds of it at the next note
(Repp 2005, from memory), which is 0.2 to 2 s at eighths; slower than 1.2 s is creeping.
"""

MOTOR_SHARES = (0.02, 0.1, 0.3, 1.0, 3.0)
"""The ratios tried of motor noise to wandering, as variances (judged)."""

HOPELESS = 1.0
"""A shape whose best size makes a course no likelier than this log likelihood ratio is no matter (judged)."""

_LEAST_SPREAD_MS = 2.0  # judged: nobody wanders less
_UNSEEN = 1e-3  # judged: spreads a ms by which a note shows a shape; leaving them out moves ratios by a tenth at most
_FREEDOM = 10  # judged, of 5 and 10 degrees of freedom: with 5, four slips in ten pass for the usual wandering


@dataclass(frozen=True, slots=True)
class Wander:
    """How a player wanders: decay_s, motor_share, and spread_ms of the wandering; fit: log likelihood of the course."""

    decay_s: float
    motor_share: float
    spread_ms: float
    fit: float = 0.0


def fit_wander(time_s: FloatArray, offset_ms: FloatArray) -> Wander:
    """The wandering that explains a course (n,) best; its spread is robust against faults in the course."""
    decay_s, share = (np.array(values) for values in zip(*product(DECAY_S, MOTOR_SHARES), strict=True))
    rows, log_scale = _filtered(time_s, np.repeat(offset_ms[:, None], len(decay_s), axis=1), decay_s, share)
    spread = np.maximum(1.4826 * np.median(np.abs(rows), axis=0), _LEAST_SPREAD_MS)
    fit = -np.sum(_surprise(rows / spread) + log_scale + np.log(spread), axis=0)
    best = int(fit.argmax())
    return Wander(float(decay_s[best]), float(share[best]), float(spread[best]), float(fit[best]))


def whitened(wander: Wander, time_s: FloatArray, values: FloatArray) -> FloatArray:
    """(n, k) innovations of the columns of values (n, k), of unit spread where a column only wanders."""
    rows, _ = _filtered(time_s, values, np.array([wander.decay_s]), np.array([wander.motor_share]))
    result: FloatArray = rows / wander.spread_ms
    return result


def log_likelihood(wander: Wander, time_s: FloatArray, offset_ms: FloatArray) -> float:
    """Of a course (n,), as in Wander.fit."""
    rows, log_scale = _filtered(time_s, offset_ms[:, None], np.array([wander.decay_s]), np.array([wander.motor_share]))
    return -float(np.sum(_surprise(rows / wander.spread_ms) + log_scale + np.log(wander.spread_ms)))


def log_ratios(
    wander: Wander, time_s: FloatArray, offset_ms: FloatArray, shapes: FloatArray, sizes_ms: FloatArray
) -> FloatArray:
    """(k, m) log likelihood ratios: every shape (n, k) at every size (m,) in a course (n,) that wanders, over mere
    wandering. Shapes that no size makes likelier by more than HOPELESS are left at -inf.
    """
    both = whitened(wander, time_s, np.c_[offset_ms, shapes])
    row, shape = both[:, 0], both[:, 1:]
    most = 0.5 * np.square(shape.T @ row) / np.maximum(np.square(shape).sum(axis=0), 1e-12)
    alone = _surprise(row)
    result = np.full((shape.shape[1], len(sizes_ms)), -np.inf)
    for k in np.flatnonzero(most > HOPELESS).tolist():
        seen = np.flatnonzero(np.abs(shape[:, k]) > _UNSEEN)
        left = row[seen, None] - shape[seen, k, None] * sizes_ms
        result[k] = np.sum(alone[seen, None] - _surprise(left), axis=0)
    return result


def _surprise(spreads: FloatArray) -> FloatArray:
    """Minus the log density of innovations, less a constant: Student's t, so that one slip makes nobody wander more."""
    result: FloatArray = 0.5 * (_FREEDOM + 1) * np.log1p(np.square(spreads) / _FREEDOM)
    return result


def _filtered(
    time_s: FloatArray, values: FloatArray, decay_s: FloatArray, motor_share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Kalman innovations (n, k) over their standard deviations, for wanderings of variance 1; the logs of those (n, k).

    decay_s and motor_share, (k,) or (1,), are those of each column.
    """
    keep = np.exp(-np.diff(time_s, prepend=time_s[:1])[:, None] / decay_s)
    state, power = np.zeros(values.shape[1]), np.ones(len(decay_s))
    rows, log_scale = np.empty(values.shape), np.empty((len(time_s), len(decay_s)))
    for k, share in enumerate(keep):
        if k:
            state, power = share * state, share**2 * power + 1 - share**2
        total = power + motor_share
        left = values[k] - state
        rows[k], log_scale[k] = left / np.sqrt(total), 0.5 * np.log(total)
        state, power = state + power / total * left, power * motor_share / total
    return rows, log_scale
