"""Which beat is the 1, and in which meter, decided over the whole track.

A hidden Markov chain over (meter, count): a count follows the one before, and only at a bar line may the meter
change. Each beat brings the log odds that it is a downbeat. One decision over the whole track is what a
frame-by-frame tracker gives away: a weak bar is carried by its strong neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pulsefind.records import FloatArray, IntArray

METERS = (2, 3, 4, 5, 6, 7)

METER_PRIOR = {2: 0.03, 3: 0.12, 4: 0.75, 5: 0.02, 6: 0.06, 7: 0.02}
"""How common each number of beats in a bar is in the music that drummers play along to (common practice, no source)."""

CHANGE_PROBABILITY = 1e-4
"""Probability, at each bar line, that the meter changes there."""


@dataclass(frozen=True, slots=True)
class BarPath:
    """count and beats_per_bar (n_beats,) of the best reading; log_likelihood sums over all readings.

    one_probability: (n_beats,) posterior probability that each beat is a 1.
    """

    count: IntArray
    beats_per_bar: IntArray
    log_likelihood: float
    one_probability: FloatArray


def best_bars(log_odds: FloatArray, meters: tuple[int, ...]) -> BarPath:
    """Count the beats.

    log_odds: (n_beats,) that each beat is a downbeat; meters: those allowed. No beats give empty arrays.
    """
    if len(log_odds) == 0:
        empty = np.zeros(0, np.int64)
        return BarPath(empty, empty, 0.0, np.zeros(0))
    model = _Model(meters)
    emission = model.log_emission(log_odds)
    path = _viterbi(emission, model)
    log_likelihood, posterior = _forward_backward(emission, model)
    one_probability = posterior[:, model.position == 0].sum(axis=1)
    return BarPath(model.position[path] + 1, model.meter[path], log_likelihood, one_probability)


def rotated(bars: BarPath, one: int) -> BarPath:
    """Shift the whole count by as few beats as it takes to make one beat a 1; the bars keep their lengths."""
    n = len(bars.count)
    ones = np.flatnonzero(bars.count == 1)
    shift = one - int(ones[np.argmin(np.abs(ones - one))])
    index = np.arange(n) - shift
    meter = bars.beats_per_bar[np.clip(index, 0, n - 1)]
    count = bars.count[np.clip(index, 0, n - 1)]
    # Beyond either end the first and the last bar are counted on.
    before, after = index < 0, index >= n
    count[before] = (bars.count[0] - 1 + index[before]) % meter[before] + 1
    count[after] = (bars.count[-1] - 1 + index[after] - (n - 1)) % meter[after] + 1
    return replace(bars, count=count, beats_per_bar=meter)


class _Model:
    """States (meter, position) with their prior and transitions."""

    def __init__(self, meters: tuple[int, ...]) -> None:
        self.meter = np.array([m for m in meters for _ in range(m)])
        self.position = np.array([p for m in meters for p in range(m)])
        weight = np.array([METER_PRIOR.get(m, min(METER_PRIOR.values())) for m in meters])
        weight = weight / weight.sum()
        of_state = dict(zip(meters, weight, strict=True))
        self.prior = np.array([of_state[int(m)] / m for m in self.meter])
        self.transition = np.zeros((len(self.meter), len(self.meter)))
        for i, (m, p) in enumerate(zip(self.meter, self.position, strict=True)):
            if p < m - 1:
                self.transition[i, i + 1] = 1.0
                continue
            for j in np.flatnonzero(self.position == 0):
                stays = (1 - CHANGE_PROBABILITY) if self.meter[j] == m else 0.0
                self.transition[i, j] = stays + CHANGE_PROBABILITY * of_state[int(self.meter[j])]

    def log_emission(self, log_odds: FloatArray) -> FloatArray:
        """(n_beats, n_states) log probability of what was heard at each beat."""
        is_one = (self.position == 0)[None, :]
        log_yes = -np.logaddexp(0, -log_odds)[:, None]
        log_no = -np.logaddexp(0, log_odds)[:, None]
        return np.where(is_one, log_yes, log_no)


def _viterbi(emission: FloatArray, model: _Model) -> IntArray:
    with np.errstate(divide="ignore"):
        log_transition = np.log(model.transition)
    value = np.log(model.prior) + emission[0]
    origins = np.zeros(emission.shape, dtype=np.int64)
    for k in range(1, len(emission)):
        options = value[:, None] + log_transition
        origins[k] = options.argmax(axis=0)
        value = options.max(axis=0) + emission[k]
    path = np.zeros(len(emission), dtype=np.int64)
    path[-1] = int(value.argmax())
    for k in range(len(emission) - 1, 0, -1):
        path[k - 1] = origins[k, path[k]]
    return path


def _forward_backward(emission: FloatArray, model: _Model) -> tuple[float, FloatArray]:
    """The log likelihood of everything heard, and (n_beats, n_states) posterior probabilities."""
    peak = emission.max(axis=1)
    likelihood = np.exp(emission - peak[:, None])
    forward = np.zeros(emission.shape)
    scale = np.zeros(len(emission))
    state = model.prior
    for k in range(len(emission)):
        state = (state if k == 0 else state @ model.transition) * likelihood[k]
        scale[k] = state.sum()
        state = state / scale[k]
        forward[k] = state
    backward = np.ones(emission.shape)
    for k in range(len(emission) - 2, -1, -1):
        backward[k] = model.transition @ (likelihood[k + 1] * backward[k + 1]) / scale[k + 1]
    posterior = forward * backward
    posterior /= posterior.sum(axis=1, keepdims=True)
    return float(np.log(scale).sum() + peak.sum()), posterior
