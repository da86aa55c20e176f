"""Beats of known lengths laid along what was heard, for bars whose meters a person gave.

The search in `path` asks which tempo and meter there are, with beats of one length. Here the sequence of beats is known
as written (how many quarter notes each lasts), and only their times are missing: a Viterbi search over a chain of
beats, whose state is the time of the beat and the length of a quarter, with the tempo model of Krebs et al. (2015).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from pulsefind.beats.path import TEMPO_STIFFNESS
from pulsefind.core.records import Activations, FloatArray, IntArray

TEMPO_REACH = 0.22
"""How much longer or shorter the quarter may get within a piece, as a natural logarithm (judged)."""

TEMPO_STEP = 0.01  # a hundredth: judged, finer than anyone's tempo holds
MOST_STEPS = 4
"""The most steps of TEMPO_STEP by which a quarter changes from one beat to the next (judged)."""

PIECE_BEATS = 48
"""Beats decided at once (judged); the search looks as far ahead again, so that no piece ends on a guess."""

_LOG_ODDS_FLOOR, _LOG_ODDS_TOP = -3.0, 4.0  # judged: one frame may say no more against a beat, or for one
_ONE_WEIGHT = 0.5  # judged: of the downbeat beside the beat
_FLOOR = 1e-7  # judged: of probabilities, so that their logarithms stay finite


def align(
    activations: Activations, start_s: float, quarter_s: float, quarters: FloatArray, is_one: IntArray
) -> FloatArray:
    """(n + 1,) times of beats whose written lengths are known, starting from a known first one.

    start_s: where the first beat lies; quarter_s: how long a quarter lasts there; quarters: (n,) how many quarters each
    beat lasts; is_one: (n + 1,) whether each beat, and what comes after the last, is a 1. Beats beyond the end of the
    activations continue at the last tempo.
    """
    found = [start_s]
    for first in range(0, len(quarters), PIECE_BEATS):
        piece = slice(first, first + 2 * PIECE_BEATS)
        time_s = _piece(activations, found[-1], quarter_s, quarters[piece], is_one[first : first + 2 * PIECE_BEATS + 1])
        kept = min(PIECE_BEATS, len(quarters) - first)
        found += time_s[1 : kept + 1].tolist()
        steps = np.diff(time_s[: kept + 1]) / quarters[first : first + kept]
        quarter_s = float(np.median(steps[-8:]))
    return np.array(found)


def _piece(
    activations: Activations, start_s: float, quarter_s: float, quarters: FloatArray, is_one: IntArray
) -> FloatArray:
    """(n + 1,) best times of some beats, the first fixed."""
    rate_hz = activations.frame_rate_hz
    start = round(start_s * rate_hz)
    n_steps = int(TEMPO_REACH / TEMPO_STEP)
    length = quarter_s * rate_hz * np.exp(TEMPO_STEP * np.arange(-n_steps, n_steps + 1))
    log_odds = _beat_log_odds(activations)
    # (interval, frame after the start): score of the best path to a beat there, after a quarter of that length.
    n_frames = int(np.ceil(quarters.sum() * length[-1])) + 2
    value = np.full((len(length), n_frames), -np.inf)
    value[:, 0] = -TEMPO_STIFFNESS * np.abs(np.expm1(TEMPO_STEP * np.arange(-n_steps, n_steps + 1)))
    cost = -TEMPO_STIFFNESS * np.abs(np.expm1(TEMPO_STEP * np.arange(-MOST_STEPS, MOST_STEPS + 1)))
    came: list[IntArray] = []
    for k, beat_quarters in enumerate(quarters):
        best, origin = _changed(value, cost)
        came.append(origin)
        step = np.maximum(1, np.round(beat_quarters * length).astype(np.int64))
        value = np.full_like(value, -np.inf)
        frame = start + np.arange(n_frames)
        of_frame = log_odds[int(is_one[k + 1])]
        heard = np.where(frame < len(of_frame), of_frame[np.clip(frame, 0, len(of_frame) - 1)], 0.0)
        for row, by in enumerate(step):
            value[row, by:] = best[row, : n_frames - by] + heard[by:]
    return _traced(value, came, quarters, length, start_s, rate_hz)


def _beat_log_odds(activations: Activations) -> tuple[FloatArray, FloatArray]:
    """(n_frames,) log odds of a beat that isn't a 1, and of a 1, at each frame or one next to it."""
    beat = np.clip(activations.values.sum(axis=1), _FLOOR, 1 - _FLOOR)
    log_odds = np.clip(np.log(beat / (1 - beat)), _LOG_ODDS_FLOOR, _LOG_ODDS_TOP)
    plain = maximum_filter1d(log_odds, 3)
    return plain, plain + _ONE_WEIGHT * np.clip(activations.downbeat_log_odds, _LOG_ODDS_FLOOR, _LOG_ODDS_TOP)


def _changed(value: FloatArray, cost: FloatArray) -> tuple[FloatArray, IntArray]:
    """The best value of each state after the quarter may have changed, and by how many steps it did."""
    padded = np.pad(value, ((MOST_STEPS, MOST_STEPS), (0, 0)), constant_values=-np.inf)
    options = np.stack([padded[k : k + len(value)] + cost[k] for k in range(len(cost))])
    origin = options.argmax(axis=0)
    best: FloatArray = np.take_along_axis(options, origin[None], axis=0)[0]
    return best, (origin - MOST_STEPS).astype(np.int8)


def _traced(
    value: FloatArray, came: list[IntArray], quarters: FloatArray, length: FloatArray, start_s: float, rate_hz: float
) -> FloatArray:
    row, frame = (int(k) for k in np.unravel_index(int(value.argmax()), value.shape))
    frames = [frame]
    for k in range(len(quarters) - 1, -1, -1):
        frame -= max(1, round(quarters[k] * length[row]))
        frames.append(frame)
        row += int(came[k][row, frame])
    time_s: FloatArray = start_s + np.array(frames[::-1]) / rate_hz
    return time_s
