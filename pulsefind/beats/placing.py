"""Beat times placed on the sound: from the networks' 10 ms frames to the hits themselves."""

from __future__ import annotations

import numpy as np
from scipy.linalg import solveh_banded

from pulsefind.core.records import Activations, Beats, FloatArray, Hits, Pulse

REACH_S = 0.035
"""A hit further than this from a beat is no evidence of where the beat lies (judged)."""

STIFFNESS = (1.0, 10.0, 100.0, 1000.0)
"""How much the smooth course resists bending; the data choose between these (judged)."""

_FRAME_WEIGHT, _FRAME_ALONE_WEIGHT = 0.3, 0.1
"""How much a network's frame counts next to hits, and without any (judged): without hits, frames lean the same way for
bars at a time, so each is worth less than it seems.
"""

_NEAR_S = 0.012  # judged: spread of the hits on one beat, by tight players
_FULL_IMPORTANCE = 10.0  # judged: hits this strong in total are as much evidence as there can be
_OUTLIER_S = 0.012  # judged: no hit closer to the course counts as a stray
_BEND_S = 0.01  # judged: a bend beyond this is a change of tempo and may stay
_ROUNDS = 8  # judged: the weights hardly change after these


def place_beats(pulse: Pulse, hits: Hits, activations: Activations) -> Beats:
    """Move each beat to the hits near it, along a smooth course.

    The times minimise sum(w (x - observed)^2) + stiffness sum((second difference of x)^2) with Tukey's biweight for w
    (a Whittaker smoother, Eilers 2003, made robust), so that one early snare doesn't drag the beat along, and a beat
    without a hit follows from its neighbours. The stiffness is the highest with which even beats predict odd ones and
    vice versa as well as with the best, to within one standard error of the mean (L. Breiman and others,
    "Classification and Regression Trees", 1984). No beats in give no beats out.
    """
    if len(pulse.time_s) == 0:
        return Beats(np.zeros(0), np.zeros(0), np.zeros(0, np.bool_))
    observed, weight = _observe(pulse.time_s, hits)
    time_s = _smooth(observed, weight, _best_stiffness(observed, weight)) if len(observed) > 4 else observed
    time_s = _increasing(time_s, pulse.time_s)
    confidence = _activation_near(pulse.time_s, activations)
    # A network that has learnt to count keeps counting where nothing sounds: only a hit shows that something does.
    carried = weight <= _FRAME_ALONE_WEIGHT
    return Beats(np.maximum(time_s, 0.0), confidence, carried)


def _observe(time_s: FloatArray, hits: Hits) -> tuple[FloatArray, FloatArray]:
    """Where each beat was heard and how much that counts, from the network's frame and the hits near it."""
    observed, weight = time_s.copy(), np.full(len(time_s), _FRAME_ALONE_WEIGHT)
    first = np.searchsorted(hits.time_s, time_s - REACH_S)
    last = np.searchsorted(hits.time_s, time_s + REACH_S)
    for k, (low, high) in enumerate(zip(first, last, strict=True)):
        away = hits.time_s[low:high] - time_s[k]
        importance = hits.strength[low:high] * np.maximum(hits.level_db[low:high], 1.0)
        # The network's own estimate keeps hits at the edge of the reach from beating one right on it.
        importance = importance * np.exp(-0.5 * (away / _NEAR_S) ** 2)
        total = float(importance.sum())
        if total > 0:
            weight[k] = _FRAME_WEIGHT
            heard = min(1.0, total / _FULL_IMPORTANCE)
            observed[k] += heard / (heard + _FRAME_WEIGHT) * float(importance @ away) / total
            weight[k] += heard
    return observed, weight


def _smooth(observed: FloatArray, weight: FloatArray, stiffness: float) -> FloatArray:
    """The robust smooth course: hits off it lose weight, and where the tempo jumps it may bend."""
    bend = np.ones(len(observed) - 2)
    course = _whittaker(observed, weight, stiffness * bend)
    for _ in range(_ROUNDS):
        off = np.abs(observed - course)
        scale = max(_OUTLIER_S, 3.0 * float(np.median(off)))
        biweight = np.maximum(0.0, 1 - (off / (2 * scale)) ** 2) ** 2
        bend = 1 / (1 + (np.diff(course, n=2) / _BEND_S) ** 2)
        course = _whittaker(observed, weight * np.maximum(biweight, 1e-3), stiffness * bend)
    return course


def _whittaker(observed: FloatArray, weight: FloatArray, stiffness: FloatArray) -> FloatArray:
    """Solve (W + D'SD) x = W observed, with D the second difference and S its stiffness: a matrix of five bands."""
    n = len(observed)
    bands = np.zeros((3, n))
    bands[2] = weight
    coefficient = np.array([1.0, -2.0, 1.0])
    for shift in range(3):
        for i in range(3 - shift):
            product = stiffness * coefficient[i] * coefficient[i + shift]
            bands[2 - shift, i + shift : n - 2 + i + shift] += product
    # With weight on fewer than two beats the matrix would be singular.
    bands[2] += 1e-9
    solution: FloatArray = solveh_banded(bands, weight * observed)
    return solution


def _best_stiffness(observed: FloatArray, weight: FloatArray) -> float:
    """Errors count up to the reach: their mean tells courses apart that have the same median, and so depends less on
    the file.
    """
    errors, unsure = [], []
    for stiffness in STIFFNESS:
        missed = []
        for parity in (0, 1):
            known = weight.copy()
            known[parity::2] = 1e-6
            course = _smooth(observed, known, stiffness)
            heard = weight[parity::2] > _FRAME_WEIGHT + 0.1
            missed.append(np.abs(observed - course)[parity::2][heard])
        error = np.minimum(np.concatenate(missed), REACH_S)
        errors.append(float(error.mean()) if len(error) else 0.0)
        unsure.append(float(error.std() / np.sqrt(len(error))) if len(error) else 0.0)
    # A stiffer course that predicts as well is the better explanation; with few hits, chance alone sets courses apart.
    best = int(np.argmin(errors))
    return max(s for s, e in zip(STIFFNESS, errors, strict=True) if e <= errors[best] + unsure[best])


def _increasing(time_s: FloatArray, fallback: FloatArray) -> FloatArray:
    return time_s if (np.diff(time_s) > 0).all() else fallback


def _activation_near(time_s: FloatArray, activations: Activations) -> FloatArray:
    frame = np.round(time_s * activations.frame_rate_hz).astype(np.int64)
    near = np.clip(frame[:, None] + np.arange(-3, 4)[None, :], 0, len(activations.values) - 1)
    highest: FloatArray = np.minimum(activations.values.sum(axis=1)[near].max(axis=1), 1.0)
    return highest
