"""Following a player who moves away from the track: a smooth course of the offset, beat by beat.

Alone, a player may drift by more than half a place, and then taking the nearest place for every hit loses them. The
course is the most likely path of a hidden Markov model: the state is the offset within a beat, which wanders a little
from beat to beat and seldom jumps, and the beat's hits lie around the places shifted by it.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.nearest import nearest
from pulsefind.core.records import FloatArray, IntArray
from pulsefind.take.places import Slots

REACH_MS = 240.0
"""A player further off than this is no longer followed (judged)."""

PULLS = ALONE, COMING_BACK, WITH_THE_TRACK = 0.0, 0.4, 1.0
"""How strongly a player is drawn back to their usual offset: alone, in the bars after that, and otherwise (judged)."""

STEP_MS = 5.0
"""Steps in which the course is searched (judged)."""

USUAL_REACH_MS = 120.0
"""Latency and habit together are at most this (judged); beyond it a place would be taken for its neighbour."""

_SPREAD_MS = 16.0  # judged: of hits around their places
_STRAY = 0.12  # judged: share of hits that belong to no place
_WANDER_MS, _FIRST_MS = 9.0, 40.0  # judged: spread of a step from beat to beat, and of the first offset
_JUMP = 0.001  # judged: probability, at each beat, of a jump to any offset
_WITNESS = 0.18  # neighbouring hits share their error, as in starts.py (arithmetic there)
_ROUNDS = 3  # judged: rounds in which the course and the places that are played settle


def follow(slots: Slots, edges_s: FloatArray, time_s: FloatArray, kind: IntArray, pull: FloatArray) -> FloatArray:
    """The player's slow offset (n,) in ms at each hit time (n,) of a kind (n,); slots hold every place that may be
    played.

    edges_s (n_beats + 1,) bound the beats; pull (n_beats,), out of PULLS, is the share of the distance to their usual
    offset that a player covers by the next beat. No hits or no beats give zeros.
    """
    n_beats = len(edges_s) - 1
    if not len(time_s) or n_beats < 1:
        return np.zeros(len(time_s))
    offset_ms = np.arange(-REACH_MS, REACH_MS + 1, STEP_MS)
    beat = np.clip(np.searchsorted(edges_s, time_s, side="right") - 1, 0, n_beats - 1)
    centre_s = (edges_s[:-1] + edges_s[1:]) / 2
    usual_ms = usual_offset_ms(slots, edges_s, time_s, kind)
    course = np.full(len(time_s), usual_ms)
    for _ in range(_ROUNDS):
        weight = _phase_weights(slots, time_s - course / 1000, kind)
        log_likelihood = _log_likelihood(slots, edges_s, time_s, beat, offset_ms, weight[kind])
        path = _most_likely(log_likelihood, offset_ms, usual_ms, pull)
        course = np.interp(time_s, centre_s, path)
    return course


def _phase_weights(slots: Slots, time_s: FloatArray, kind: IntArray) -> FloatArray:
    """(n_kinds, 12) how often each kind plays each twelfth of the beat, from hits on their nearest slots.

    Hats that play all eighths say nothing about which of them is the beat; kick and snare do.
    """
    index = nearest(slots.nominal_s, time_s)
    away_ms = 1000 * (time_s - slots.nominal_s[index])
    phase = _phase(slots)[index]
    near = np.exp(-0.5 * (away_ms / _SPREAD_MS) ** 2)
    n_kinds = int(kind.max()) + 1
    played = np.bincount(12 * kind + phase, near, 12 * n_kinds).reshape(n_kinds, 12)
    total = played + 0.02 * np.bincount(kind, minlength=n_kinds)[:, None] / 12 + 0.01
    result: FloatArray = total / total.sum(axis=1, keepdims=True)
    return result


def _phase(slots: Slots) -> IntArray:
    return np.round(slots.within * 12).astype(np.int64) % 12


def _log_likelihood(
    slots: Slots,
    edges_s: FloatArray,
    time_s: FloatArray,
    beat: IntArray,
    offset_ms: FloatArray,
    weight: FloatArray,
) -> FloatArray:
    """(n_beats, n_offsets) log likelihood of each beat's hits under each offset; weight (n_hits, 12): of each hit's
    kind.
    """
    moved = (time_s[:, None] - offset_ms[None, :] / 1000).ravel()
    index = nearest(slots.nominal_s, moved)
    away_ms = 1000 * (moved - slots.nominal_s[index])
    beat_ms = 1000 * np.repeat(np.diff(edges_s)[beat], len(offset_ms))
    density = np.exp(-0.5 * (away_ms / _SPREAD_MS) ** 2) / (_SPREAD_MS * np.sqrt(2 * np.pi)) * beat_ms
    of_hit = np.repeat(np.arange(len(time_s)), len(offset_ms))
    log = np.log((1 - _STRAY) * weight[of_hit, _phase(slots)[index]] * density + _STRAY)
    table = np.zeros((len(edges_s) - 1, len(offset_ms)))
    np.add.at(table, beat, log.reshape(len(time_s), len(offset_ms)))
    return table


def usual_offset_ms(slots: Slots, edges_s: FloatArray, time_s: FloatArray, kind: IntArray) -> float:
    """The one offset in ms that fits the whole take best: latency and habit together, small ones preferred."""
    if not len(time_s) or len(edges_s) < 2:
        return 0.0
    beat = np.clip(np.searchsorted(edges_s, time_s, side="right") - 1, 0, len(edges_s) - 2)
    offset_ms = np.arange(-USUAL_REACH_MS, USUAL_REACH_MS + 1, STEP_MS)
    usual_ms = 0.0
    for _ in range(_ROUNDS):
        weight = _phase_weights(slots, time_s - usual_ms / 1000, kind)
        whole = _log_likelihood(slots, edges_s, time_s, beat, offset_ms, weight[kind]).sum(axis=0) * _WITNESS
        usual_ms = float(offset_ms[int((whole - 0.5 * (offset_ms / _FIRST_MS) ** 2).argmax())])
    return usual_ms


def _log_steps(offset_ms: FloatArray, centre_ms: float, pull: float) -> FloatArray:
    """(from, to) log probabilities of a step from beat to beat, pulled to a centre by a share of the distance."""
    expected = offset_ms + pull * (centre_ms - offset_ms)
    # With the track to follow, a player is where they usually are: a late note is late, not a new course.
    wander_ms, jump = (_WANDER_MS, _JUMP) if pull < WITH_THE_TRACK else (STEP_MS / 2, 1e-12)
    step = np.exp(-0.5 * ((offset_ms[None, :] - expected[:, None]) / wander_ms) ** 2)
    log: FloatArray = np.log((1 - jump) * step / step.sum(axis=1, keepdims=True) + jump / len(offset_ms))
    return log


def _most_likely(log_likelihood: FloatArray, offset_ms: FloatArray, usual_ms: float, pull: FloatArray) -> FloatArray:
    """The Viterbi path (n_beats,) in ms."""
    steps = {share: _log_steps(offset_ms, usual_ms, share) for share in PULLS}
    value = log_likelihood[0] - 0.5 * ((offset_ms - usual_ms) / _FIRST_MS) ** 2
    origin = np.zeros(log_likelihood.shape, np.int64)
    for k in range(1, len(log_likelihood)):
        options = value[:, None] + steps[float(pull[k])]
        origin[k] = options.argmax(axis=0)
        value = options[origin[k], np.arange(len(value))] + log_likelihood[k]
    path = np.empty(len(log_likelihood), np.int64)
    path[-1] = int(value.argmax())
    for k in range(len(log_likelihood) - 1, 0, -1):
        path[k - 1] = origin[k, path[k]]
    result: FloatArray = offset_ms[path]
    return result
