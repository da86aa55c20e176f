"""The most likely course of beats through an activation function.

The model is the bar pointer of N. Whiteley, A. Cemgil and S. Godsill (ISMIR 2006) with the tempo transitions and
observations of F. Krebs, S. Böck and G. Widmer, "An efficient state-space model for joint tempo and meter tracking"
(ISMIR 2015): within a beat the tempo stands still, between beats the interval changes with probability
proportional to exp(-lambda |ratio - 1|), and the first sixteenth of a beat observes the activation. Because
nothing is decided inside a beat, the search runs over whole beats instead of single frames (a
semi-Markov chain with the same best path) and over a block of frames at a time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d

from pulsefind.records import FloatArray, IntArray

TEMPO_STIFFNESS = 100.0
BEAT_REGION = 16
MAX_INTERVALS = 120

AUDIBLE = 0.05
"""An activation below this says nothing about where in its region a beat lies."""

_FLOOR = 1e-7


@dataclass(frozen=True, slots=True)
class BeatPath:
    """frame (n_beats,) of each beat, interval (n_beats,) in frames, and the path's log likelihood."""

    frame: IntArray
    interval: IntArray
    log_likelihood: float


def intervals(frame_rate_hz: float, bpm_low: float, bpm_high: float) -> IntArray:
    """The beat intervals, in frames, from bpm_high down to bpm_low; every frame count, or 120 of them by ratio."""
    shortest = max(2, round(60 * frame_rate_hz / bpm_high))
    longest = max(shortest, round(60 * frame_rate_hz / bpm_low))
    if longest - shortest < MAX_INTERVALS:
        return np.arange(shortest, longest + 1)
    return np.unique(np.round(np.geomspace(shortest, longest, MAX_INTERVALS)).astype(np.int64))


def best_path(activation: FloatArray, interval: IntArray) -> BeatPath:
    """Find the most likely beats.

    activation: (n_frames,) probability of any beat; interval: (n_intervals,) frames, increasing. The first and
    the last beat may lie partly outside the frames. No frames give no beats. Beats lie on the highest
    frame of their region.
    """
    n_frames, longest, shortest = len(activation), int(interval[-1]), int(interval[0])
    if n_frames == 0:
        return BeatPath(np.zeros(0, np.int64), np.zeros(0, np.int64), 0.0)
    segment = _Segments(activation, interval)
    transition = _log_transition(interval)
    start_log = -np.log(len(interval)) - np.log(interval)
    n_rows = n_frames + longest
    # Row r stands for a beat that starts at frame r - longest. Values are kept in a ring: no more than the last
    # `longest` rows are ever looked back at.
    ring = longest + shortest
    value = np.full((ring, len(interval)), -np.inf)
    came_from = np.full((n_rows, len(interval)), -1, dtype=np.int16)
    column = np.arange(len(interval))[None, :]
    for first in range(0, n_rows, shortest):
        row = np.arange(first, min(first + shortest, n_rows))
        back = row[:, None] - interval[None, :]
        arriving = np.where(back >= 0, value[back % ring, column], -np.inf)
        options = arriving[:, :, None] + transition[None]
        origin = options.argmax(axis=1)
        best = np.take_along_axis(options, origin[:, None, :], axis=1)[:, 0, :]
        may_start = (row[:, None] < longest) & (row[:, None] + interval[None, :] > longest)
        start = np.where(may_start, start_log[None, :], -np.inf)
        came_from[row] = np.where(start >= best, -1, origin)
        value[row % ring] = np.maximum(start, best) + segment.log_likelihood(row)
    return _trace(activation, interval, value, came_from)


class _Segments:
    """Log likelihood of a whole beat for every start row and interval, from running sums."""

    def __init__(self, activation: FloatArray, interval: IntArray) -> None:
        beat = np.clip(activation, _FLOOR, 1 - _FLOOR)
        # Where nothing sounds for longer than the slowest beat, nothing speaks for or against one.
        sounds = maximum_filter1d(activation, 2 * int(interval[-1]) + 1) >= AUDIBLE
        pad = np.zeros(int(interval[-1]))
        # Frames outside the recording say nothing: their log likelihood is 0 either way.
        self._on = np.r_[0.0, np.cumsum(np.r_[pad, np.log(beat) * sounds, pad])]
        self._off = np.r_[0.0, np.cumsum(np.r_[pad, np.log((1 - beat) / (BEAT_REGION - 1)) * sounds, pad])]
        self._interval = interval
        self._region = beat_region(interval)

    def log_likelihood(self, row: IntArray) -> FloatArray:
        """(n_rows, n_intervals) log likelihood of a beat that starts at each row and lasts each interval."""
        start = row[:, None]
        middle = start + self._region[None, :]
        end = start + self._interval[None, :]
        total: FloatArray = self._on[middle] - self._on[start] + self._off[end] - self._off[middle]
        return total


def beat_region(interval: IntArray) -> IntArray:
    """How many frames at the start of a beat observe the activation."""
    return np.maximum(1, np.round(interval / BEAT_REGION).astype(np.int64))


def _log_transition(interval: IntArray) -> FloatArray:
    ratio = interval[None, :] / interval[:, None]
    log = -TEMPO_STIFFNESS * np.abs(ratio - 1)
    normalised: FloatArray = log - np.log(np.exp(log).sum(axis=1, keepdims=True))
    return normalised


def _trace(
    activation: FloatArray,
    interval: IntArray,
    value: FloatArray,
    came_from: np.ndarray[tuple[int, ...], np.dtype[np.int16]],
) -> BeatPath:
    n_frames, longest = len(activation), int(interval[-1])
    row = np.arange(n_frames, n_frames + longest)
    reaches_end = row[:, None] + interval[None, :] >= n_frames + longest
    final = np.where(reaches_end, value[row % len(value)], -np.inf)
    best = int(final.argmax())
    at, state = int(row[best // len(interval)]), best % len(interval)
    rows, states = [], []
    while True:
        rows.append(at)
        states.append(state)
        previous = int(came_from[at, state])
        if previous < 0:
            break
        at, state = at - int(interval[previous]), previous
    start = np.array(rows[::-1]) - longest
    chosen = interval[np.array(states[::-1])]
    frame = _highest_in_region(activation, start, beat_region(chosen))
    inside = (start + beat_region(chosen) > 0) & (start < n_frames)
    return BeatPath(frame[inside], chosen[inside], float(final.max()))


def _highest_in_region(activation: FloatArray, start: IntArray, width: IntArray) -> IntArray:
    """The frame of each beat; where nothing sounds, the middle of its region."""
    frame: IntArray = np.clip(start + width // 2, 0, len(activation) - 1)
    for k, (first, n) in enumerate(zip(start, width, strict=True)):
        low, high = max(int(first), 0), min(int(first + n), len(activation))
        if high > low and activation[low:high].max() >= AUDIBLE:
            frame[k] = low + int(np.argmax(activation[low:high]))
    return frame
