"""The most likely path of beats through the activations of beats and downbeats.

The model is the bar pointer of N. Whiteley, A. Cemgil and S. Godsill (ISMIR 2006) with the tempo transitions and
observations of F. Krebs, S. Böck and G. Widmer, "An efficient state-space model for joint tempo and meter tracking"
(ISMIR 2015): within a beat the tempo is constant, between beats the interval changes with probability
proportional to exp(-lambda |ratio - 1|), the beats of a bar follow each other, and the first sixteenth of a beat
observes the activation of a downbeat or of another beat. One addition: a bar may be cut short, at a cost, as where a
bar of two is thrown in. Because nothing is decided inside a beat, the search runs over whole beats instead of single
frames (a semi-Markov chain with the same best path), a block of frames at a time.

Log likelihoods are whole numbers here, in steps of _STEP, and the last eight bits of each tell where it came from: so
one addition and one maximum find the best origin and what it is worth, and every machine finds the same.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from pulsefind.core.cache import code_version, kept, shaped
from pulsefind.core.records import FloatArray, IntArray

TEMPO_STIFFNESS = 100.0  # published: Krebs et al. 2015, as madmom has it
BEAT_REGION = 16  # published: the first 1/16 of a beat observes it, as madmom has it
MAX_INTERVALS = 60  # published: beat lengths that are tried, as madmom has it

AUDIBLE = 0.05
"""A weaker activation says nothing about where in its region a beat lies (judged)."""

BROKEN_BAR = 1e-4
"""Probability that a bar ends before its last beat (judged)."""

LARGEST_STEP = 0.16
"""A beat is at most this much longer or shorter than the one before: beyond, the probability is 1e-7 or less
(arithmetic: exp(-TEMPO_STIFFNESS * 0.16)).
"""

_FLOOR = 1e-7  # judged: of probabilities, so that their logarithms stay finite

_ORIGINS = 256
"""What the last bits of a value can tell apart: 126 intervals are at most 125 steps up or down (arithmetic)."""

_STEP = 2.0**-24
"""Of a log likelihood: far below what any evidence decides, and an hour's sum stays below 2**55 (arithmetic)."""

_NEVER = -(2**60)
"""Instead of the logarithm of 0: far below all sums, and a few of them don't overflow (arithmetic)."""

_STARTS_HERE = _ORIGINS - 1  # the origin of a track's first beat: the highest, so it wins a tie (arithmetic)

Int64Array = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class BeatPath:
    """frame (n_beats,) of each beat, interval (n_beats,) in frames, and the path's log likelihood."""

    frame: IntArray
    interval: IntArray
    log_likelihood: float


def intervals(frame_rate_hz: float, bpm_low: float, bpm_high: float) -> IntArray:
    """The beat intervals, in frames, from bpm_high down to bpm_low; every frame count, or 60 of them by ratio."""
    shortest = max(2, round(60 * frame_rate_hz / bpm_high))
    longest = max(shortest, round(60 * frame_rate_hz / bpm_low))
    if longest - shortest < MAX_INTERVALS:
        return np.arange(shortest, longest + 1)
    n_steps = MAX_INTERVALS
    chosen = np.zeros(0, np.int64)
    # Short intervals round to the same frames; as in Krebs et al., steps are added until enough distinct ones remain.
    while len(chosen) < MAX_INTERVALS:
        chosen = np.unique(np.round(np.geomspace(shortest, longest, n_steps)).astype(np.int64))
        n_steps += 1
    return chosen


def kept_path(values: FloatArray, interval: IntArray, meters: tuple[int, ...], use_cache: bool) -> BeatPath:
    """The best path, from the cache if it was found before for the same activations, intervals and meters."""

    def name() -> str:
        asked = hashlib.sha256(np.ascontiguousarray(values).data)
        asked.update(repr((values.shape, interval.tolist(), meters)).encode())
        return f"beats-{code_version(__file__)}-{asked.hexdigest()}"

    def search() -> tuple[IntArray, IntArray, FloatArray]:
        path = best_path(values, interval, meters)
        return path.frame, path.interval, np.array([path.log_likelihood])

    frame, chosen, log_likelihood = kept(name, search, use_cache, shaped(("n",), ("n",), (1,)))
    return BeatPath(frame, chosen, float(log_likelihood[0]))


def best_path(values: FloatArray, interval: IntArray, meters: tuple[int, ...]) -> BeatPath:
    """Find the most likely beats.

    values: (n_frames, 2) probabilities of a beat that isn't a downbeat, and of a downbeat; interval: (n_intervals,) in
    frames, increasing, at most 126 of them; meters: beats in a bar, of which the likeliest holds for the whole track.
    The first and the last beat may lie partly outside the frames. No frames give no beats. Beats lie on the highest
    frame of their region.
    """
    if len(values) == 0:
        return BeatPath(np.zeros(0, np.int64), np.zeros(0, np.int64), 0.0)
    model = _Model(values, interval, meters)
    n_rows = len(values) + model.longest
    # Row r stands for a beat that starts at frame r - longest. Values are kept in a ring buffer, since nothing looks
    # back more than `longest` rows.
    ring = model.longest + int(interval[0])
    value = np.full((len(interval), len(model.before) + len(meters), ring), _NEVER)
    # By far the largest array in memory, so its type is as small as the indices allow.
    came_from = np.full((len(interval), len(model.before), n_rows), -1, np.int8)
    bar_ends = np.zeros((len(interval), len(meters), n_rows), np.int8)
    for first in range(0, n_rows, int(interval[0])):
        row = np.arange(first, min(first + int(interval[0]), n_rows))
        block = slice(first, first + len(row))
        best, came_from[:, :, block] = model.step(row, value)
        ending, bar_ends[:, :, block] = model.end_bars(best)
        value[:, :, row % ring] = np.concatenate([best, ending], axis=1)
    return _trace(values.sum(axis=1), model, value, came_from, bar_ends)


class _Model:
    """Log likelihoods of starting, of continuing, and of a whole beat, with the positions of all meters side by side.

    Arrays are (n_intervals, n_positions, n_rows), so that neighbouring intervals are compared in one run of memory.

    A first position follows the end of a bar, wherever that was: one entry per meter, after all positions.
    """

    def __init__(self, values: FloatArray, interval: IntArray, meters: tuple[int, ...]) -> None:
        self.interval = interval
        self.longest = int(interval[-1])
        self.meters = _first_positions(meters)
        ends = sum(meters) + np.arange(len(meters))
        self.before = np.concatenate(
            [np.r_[end, first + np.arange(m - 1)] for end, (m, first) in zip(ends, self.meters, strict=True)]
        )
        self.column = np.concatenate([np.r_[1, np.zeros(m - 1, np.int64)] for m in meters])
        start = -np.log(len(interval)) - np.log(interval) - np.log(len(self.before))
        self.start = (_fixed(start) + _STARTS_HERE)[:, None, None]
        # Repeated for each position and row of a block, since broadcasting would break up the long runs.
        block = np.zeros((len(self.before), int(interval[0])), np.int64)
        # Of equal origins the first counts, so it has the highest number.
        self.transitions, self._step_of = [], np.zeros(_ORIGINS, np.int8)
        for origin, (step, reached, log) in zip(range(_STARTS_HERE - 1, -1, -1), _transitions(interval), strict=False):
            self.transitions.append((step, reached, (_fixed(log) + origin)[:, None, None] + block))
            self._step_of[origin] = step
        self.region = beat_region(interval)
        self._sum_up(values)

    def _sum_up(self, values: FloatArray) -> None:
        """Running sums of log likelihoods, so that a whole beat takes two differences."""
        n_frames = len(values)
        beat = np.clip(values, _FLOOR, 1 - _FLOOR)
        silence = np.clip(1 - values.sum(axis=1), _FLOOR, 1 - _FLOOR) / (BEAT_REGION - 1)
        # Where nothing sounds for longer than the slowest beat, there is no evidence for or against beats.
        sounds = maximum_filter1d(values.max(axis=1), 2 * self.longest + 1) >= AUDIBLE
        # Nor is there outside the recording: the log likelihood of those frames is 0.
        inside = slice(self.longest + 1, self.longest + 1 + n_frames)
        logs = np.zeros((n_frames + 2 * self.longest + 1, 3))
        logs[inside, :2] = np.log(beat) * sounds[:, None]
        logs[inside, 2] = np.log(silence) * sounds
        self._sum = np.ascontiguousarray(_fixed(np.cumsum(logs, axis=0)).T)

    def whole_beat(self, row: IntArray) -> Int64Array:
        """(n_intervals, n_positions, n_rows) log likelihood of a beat that starts at each row."""
        middle, end = row + self.region[:, None], row + self.interval[:, None]
        off = self._sum[2, end] - self._sum[2, middle]
        total: Int64Array = np.stack([on[middle] - on[row] + off for on in self._sum[:2]], axis=1)[:, self.column]
        return total

    def step(self, row: IntArray, value: Int64Array) -> tuple[Int64Array, NDArray[np.int8]]:
        """Best values of beats that start at some rows, and the intervals they came from (-1: the track
        starts there).
        """
        index = np.arange(len(self.interval))[:, None, None]
        back = row - self.interval[:, None, None]
        _, n_values, ring = value.shape
        arriving = value.ravel().take((index * n_values + self.before[:, None]) * ring + back % ring)
        best = np.full(arriving.shape, _NEVER + _STARTS_HERE)
        at_start = row[0] <= self.longest
        if at_start:
            arriving[np.broadcast_to(back < 0, arriving.shape)] = _NEVER
            may_start = (row <= self.longest) & (row + self.interval[:, None, None] > self.longest)
            np.copyto(best, self.start, where=may_start)
        for step, reached, told in self.transitions:
            option = arriving[reached.start + step : reached.stop + step] + told[:, :, : len(row)]
            np.maximum(best[reached], option, out=best[reached])
        best, origin = _parted(best)
        came_from = self._step_of[origin] + index.astype(np.int8)
        if at_start:
            came_from[origin == _STARTS_HERE] = -1
        return best + self.whole_beat(row), came_from

    def end_bars(self, best: Int64Array) -> tuple[Int64Array, NDArray[np.int8]]:
        """(n_intervals, n_meters, n_rows) best value of a bar that ends with each beat, and at which position
        it ends.
        """
        broken = _fixed(np.log(BROKEN_BAR))
        values = np.empty((len(best), len(self.meters), best.shape[2]), np.int64)
        for number, (meter, first) in enumerate(self.meters):
            value, last = values[:, number], first + meter - 1
            np.add(best[:, last], _ORIGINS - 1 - last, out=value)
            for place in range(first, last):
                np.maximum(value, best[:, place] + (broken + _ORIGINS - 1 - place), out=value)
        values, origin = _parted(values)
        return values, (_ORIGINS - 1 - origin).astype(np.int8)


def _fixed(log: FloatArray | float) -> Int64Array:
    """A log likelihood in whole steps, with room for an origin."""
    steps = np.round(np.maximum(log, _NEVER / _ORIGINS * _STEP) / _STEP)
    fixed: Int64Array = steps.astype(np.int64) * _ORIGINS
    return fixed


def _parted(values: Int64Array) -> tuple[Int64Array, Int64Array]:
    """Values without their origins, and the origins."""
    origin = values & (_ORIGINS - 1)
    return values - origin, origin


def _first_positions(meters: tuple[int, ...]) -> list[tuple[int, int]]:
    """Each meter with the index of its first position."""
    first = np.r_[0, np.cumsum(meters)[:-1]]
    return [(m, int(f)) for m, f in zip(meters, first, strict=True)]


def beat_region(interval: IntArray) -> IntArray:
    """How many frames at the start of a beat observe the activation."""
    return np.maximum(1, np.ceil(interval / BEAT_REGION).astype(np.int64))


def _transitions(interval: IntArray) -> list[tuple[int, slice, FloatArray]]:
    """For each step along the intervals, in rising order: which intervals can be reached by it, and (n_reached,) the
    log probability of each.
    """
    ratio = interval[None, :] / interval[:, None]
    log = -TEMPO_STIFFNESS * np.abs(ratio - 1)
    log -= np.log(np.exp(log).sum(axis=1, keepdims=True))
    log[np.abs(ratio - 1) > LARGEST_STEP] = -np.inf
    found = []
    for step in range(1 - len(interval), len(interval)):
        diagonal = log.diagonal(-step)
        allowed = np.flatnonzero(np.isfinite(diagonal))
        if len(allowed):
            first, last, begin = int(allowed[0]), int(allowed[-1]) + 1, max(0, -step)
            found.append((step, slice(begin + first, begin + last), diagonal[first:last].copy()))
    return found


def _trace(
    activation: FloatArray,
    model: _Model,
    value: Int64Array,
    came_from: NDArray[np.int8],
    bar_ends: NDArray[np.int8],
) -> BeatPath:
    n_frames, longest, interval = len(activation), model.longest, model.interval
    row = np.arange(n_frames, n_frames + longest)
    reaches_end = (row + interval[:, None] >= n_frames + longest)[:, None]
    n_positions = len(model.before)
    final = np.where(reaches_end, value[:, :n_positions, row % value.shape[2]], _NEVER)
    state, position, first = (int(i) for i in np.unravel_index(int(final.argmax()), final.shape))
    at = int(row[first])
    rows, states = [], []
    while True:
        rows.append(at)
        states.append(state)
        previous = int(came_from[state, position, at])
        if previous < 0:
            break
        at, state, position = at - int(interval[previous]), previous, int(model.before[position])
        if position >= n_positions:
            position = int(bar_ends[state, position - n_positions, at])
    start = np.array(rows[::-1]) - longest
    chosen = interval[np.array(states[::-1])]
    width = beat_region(chosen)
    frame = _highest_in_region(activation, start, width)
    inside = (start + width > 0) & (start < n_frames)
    return BeatPath(frame[inside], chosen[inside], float(final.max()) / _ORIGINS * _STEP)


def _highest_in_region(activation: FloatArray, start: IntArray, width: IntArray) -> IntArray:
    """The frame of each beat; where nothing sounds, the middle of its region."""
    frame: IntArray = np.clip(start + width // 2, 0, len(activation) - 1)
    for k, (first, n) in enumerate(zip(start, width, strict=True)):
        low, high = max(int(first), 0), min(int(first + n), len(activation))
        if high > low and activation[low:high].max() >= AUDIBLE:
            frame[k] = low + int(np.argmax(activation[low:high]))
    return frame
