"""What sounds at each beat of one reading of a track, as input for the reader of bars: one row of numbers per beat.

Nothing in a row depends on the key, level or length of the track: the likelihoods of what is struck are used as they
are, the harmony only by how far it moves and which earlier beats it resembles.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from pulsefind.core.records import FloatArray, Harmony, IntArray
from pulsefind.listen.harmony import angle, mean_between

FRAME_RATE_HZ = 50.0
"""Of the networks' outputs (as trained: HOP in listen/network.py)."""

PARTS = 4
"""Each beat is sampled four times: on it, and a quarter, a half and three quarters later (the layout as trained)."""

BEAT_OUTPUTS, KIT_OUTPUTS = 4, 10
"""Columns of the networks' outputs: beat and downbeat in the whole and in the bass; what is struck (as trained:
KIT_CARD.md).
"""

_REACH_FRAMES = 2
"""40 ms: how far a stroke may lie from its place and still belong to it (judged)."""

_LOGIT_LIMIT = 6.0
"""Log odds beyond this say nothing more (judged)."""

_SPANS = (1, 2, 4)
"""Spans of beats before and after a place whose harmony is compared (judged, and the layout as trained)."""

_LAGS = (1, 2, 3, 4, 5, 6, 7, 8, 12, 16)
"""How many beats back each beat is compared with: bars of 2 to 8 beats, and twice those of 6 and 8 (judged, and the
layout as trained).
"""

_STEADY_LIMIT = 4.0
"""Standard deviations beyond this say nothing more (judged)."""

_BPM_MIDDLE = 120.0
"""A row gives its tempo in octaves from here (the layout as trained)."""


def beat_rows(struck: FloatArray, harmony: Harmony, time_s: FloatArray) -> FloatArray:
    """(n_beats, n_columns) float32: what sounds at each beat.

    struck (n_frames, 14): likelihoods of beat and downbeat in the whole and in the bass, then of what is struck, 50
    times a second; time_s (n_beats,) on the same clock. Fewer than two beats, or nothing heard, give no rows.
    """
    if len(time_s) < 2 or not len(struck) or not len(harmony.pitch_class):
        return np.zeros((0, n_columns()), np.float32)
    at_beats = _at_beats(struck, time_s)
    profile = _profiles(harmony, time_s)
    bass, above = profile[:, :12], profile[:, 12:]
    novelty = _novelty(harmony, time_s)
    loud = np.log(np.stack([bass.sum(axis=1), above.sum(axis=1)], axis=1) + 1e-4)
    kit = at_beats[:, BEAT_OUTPUTS * PARTS :]
    columns = [
        at_beats,
        novelty,
        _steady(novelty),
        _likeness(profile / (np.linalg.norm(profile, axis=1, keepdims=True) + 1e-9)),
        _likeness(kit),
        _steady(loud),
        _steady(_step(loud)),
        np.full((len(time_s), 1), np.log2(60 / float(np.median(np.diff(time_s))) / _BPM_MIDDLE)),
    ]
    return np.concatenate(columns, axis=1).astype(np.float32)


def n_columns() -> int:
    """How many numbers a row has."""
    novelty = 2 * (len(_SPANS) + 2)
    return (BEAT_OUTPUTS + KIT_OUTPUTS) * PARTS + 2 * novelty + 2 * len(_LAGS) + 5


def _places(time_s: FloatArray, part: int) -> FloatArray:
    """(n_beats,) moments a share of a beat after each beat; the last beat lasts as long as the one before it."""
    step = np.diff(time_s, append=2 * time_s[-1] - time_s[-2])
    moment: FloatArray = time_s + part / PARTS * step
    return moment


def _logits(values: FloatArray) -> FloatArray:
    """The highest log odds within reach of each frame, limited, scaled to about one standard deviation."""
    near = np.clip(maximum_filter1d(values, 2 * _REACH_FRAMES + 1, axis=0, mode="nearest"), 1e-4, 1 - 1e-4)
    limited: FloatArray = np.clip(np.log(near / (1 - near)), -_LOGIT_LIMIT, _LOGIT_LIMIT) / (_LOGIT_LIMIT / 2)
    return limited


def _at_beats(struck: FloatArray, time_s: FloatArray) -> FloatArray:
    """(n_beats, 14 * 4) log odds of beats and downbeats at the four parts of each beat, then of what is
    struck there.
    """
    log_odds = _logits(struck)
    frame = [np.round(_places(time_s, part) * FRAME_RATE_HZ).astype(np.int64) for part in range(PARTS)]
    at = [log_odds[np.clip(one, 0, len(log_odds) - 1)] for one in frame]
    rows: FloatArray = np.concatenate([x[:, :BEAT_OUTPUTS] for x in at] + [x[:, BEAT_OUTPUTS:] for x in at], axis=1)
    return rows


def _summed(harmony: Harmony) -> FloatArray:
    return np.concatenate([np.zeros((1, 24)), np.cumsum(harmony.pitch_class, axis=0, dtype=np.float64)])


def _frames(harmony: Harmony, time_s: FloatArray) -> IntArray:
    return np.clip(np.round(time_s * harmony.frame_rate_hz).astype(np.int64), 0, len(harmony.pitch_class))


def _profiles(harmony: Harmony, time_s: FloatArray) -> FloatArray:
    """(n_beats, 24) the mean strength of the pitch classes from each beat to the next."""
    edges = _frames(harmony, np.append(time_s, 2 * time_s[-1] - time_s[-2]))
    return mean_between(_summed(harmony), edges[:-1], edges[1:])


def _novelty(harmony: Harmony, time_s: FloatArray) -> FloatArray:
    """(n_beats, 2 * 5) how far bass and chords move: at the beat over 1, 2 and 4 beats; half a beat later
    over 1 and 2.
    """
    total, step = _summed(harmony), np.diff(time_s, append=2 * time_s[-1] - time_s[-2])
    columns = []
    for part, spans in ((0, _SPANS), (PARTS // 2, _SPANS[:2])):
        middle_s = _places(time_s, part)
        at = _frames(harmony, middle_s)
        for span in spans:
            before = mean_between(total, np.minimum(_frames(harmony, middle_s - span * step), at), at)
            after = mean_between(total, at, np.maximum(_frames(harmony, middle_s + span * step), at))
            columns += [angle(before[:, :12], after[:, :12]), angle(before[:, 12:], after[:, 12:])]
    return np.stack(columns, axis=1)


def _steady(values: FloatArray) -> FloatArray:
    """Columns as standard deviations from their means over the track."""
    spread = values.std(axis=0) + 1e-6
    steady: FloatArray = np.clip((values - values.mean(axis=0)) / spread, -_STEADY_LIMIT, _STEADY_LIMIT)
    return steady


def _step(values: FloatArray) -> FloatArray:
    """How much louder each beat is than the mean of the four before it."""
    total = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    at = np.arange(len(values))
    first = np.maximum(at - 4, 0)
    before: FloatArray = (total[at] - total[first]) / np.maximum(at - first, 1)[:, None]
    return np.where(at[:, None] > 0, values - before, 0.0)


def _likeness(values: FloatArray) -> FloatArray:
    """(n_beats, n_lags) cosine between each beat and earlier ones, less what all have in common; 0 before the start."""
    own = values - values.mean(axis=0)
    own = own / (np.linalg.norm(own, axis=1, keepdims=True) + 1e-9)
    found = np.zeros((len(values), len(_LAGS)))
    for k, lag in enumerate(_LAGS):
        found[lag:, k] = (own[lag:] * own[:-lag]).sum(axis=1) if lag < len(own) else 0.0
    return found
