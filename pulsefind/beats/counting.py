"""Which beat is the 1, and in which meter, decided over the whole track.

A hidden Markov model over (meter, count): each count follows the one before, and only at a bar line may the meter
change or a single bar of two be thrown in. Each beat brings the log odds that it is a downbeat. Deciding once for the
whole track is what a frame-by-frame tracker gives up: strong neighbours carry a weak bar.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from pulsefind.core.records import FloatArray, IntArray

METERS = (2, 3, 4, 5, 6, 7)  # judged: longer bars are counted as two

THROWN_IN = 2
"""Beats of the single bar thrown in between longer ones: by far the commonest break of a meter (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class CountPriors:
    """What is taken for likely before a note is heard. `python -m eval ablate` decodes under others.

    meter: how common each number of beats in a bar is in the music that drummers play along to (common practice, no
    source). change, thrown_in: the probability, at each bar line, that the meter changes there, and that a single bar
    of two comes next, after which the meter goes on as before (judged).
    """

    meter: Mapping[int, float] = field(
        default_factory=lambda: MappingProxyType({2: 0.03, 3: 0.12, 4: 0.75, 5: 0.02, 6: 0.06, 7: 0.02})
    )
    change: float = 1e-4
    thrown_in: float = 1e-3

    def of_meter(self, beats: int) -> float:
        """How common bars of so many beats are; lengths that aren't listed are as rare as the rarest."""
        return self.meter.get(beats, min(self.meter.values()))


USUAL_PRIORS = CountPriors()


@dataclass(frozen=True, slots=True)
class BarPath:
    """count and beats_per_bar (n_beats,) of the best reading; log_likelihood sums over all readings.

    one_probability: (n_beats,) posterior probability that each beat is a 1.
    """

    count: IntArray
    beats_per_bar: IntArray
    log_likelihood: float
    one_probability: FloatArray


def best_bars(log_odds: FloatArray, meters: tuple[int, ...], priors: CountPriors = USUAL_PRIORS) -> BarPath:
    """Count the beats.

    log_odds: (n_beats,) that each beat is a downbeat; meters: those allowed. No beats give empty arrays.
    """
    if len(log_odds) == 0:
        empty = np.zeros(0, np.int64)
        return BarPath(empty, empty, 0.0, np.zeros(0))
    model = _Model(meters, priors)
    emission = model.log_emission(log_odds)
    path = _viterbi(emission, model)
    log_likelihood, posterior = _forward_backward(emission, model)
    one_probability = posterior[:, model.position == 0].sum(axis=1)
    return BarPath(model.position[path] + 1, model.meter[path], log_likelihood, one_probability)


def rotated(bars: BarPath, one: int) -> BarPath:
    """Shift the whole count by as few beats as make a given beat a 1; the bars keep their lengths."""
    n = len(bars.count)
    ones = np.flatnonzero(bars.count == 1)
    if not len(ones):
        ones = np.array([1 - bars.count[0]])
    shift = one - int(ones[np.argmin(np.abs(ones - one))])
    index = np.arange(n) - shift
    meter = bars.beats_per_bar[np.clip(index, 0, n - 1)]
    count = bars.count[np.clip(index, 0, n - 1)]
    # Beyond either end, the first and the last bar are continued.
    before, after = index < 0, index >= n
    count[before] = (bars.count[0] - 1 + index[before]) % meter[before] + 1
    count[after] = (bars.count[-1] - 1 + index[after] - (n - 1)) % meter[after] + 1
    return replace(bars, count=count, beats_per_bar=meter)


class _Model:
    """States (meter, position) with their prior and transitions, then those of a bar of two within each
    longer meter.
    """

    def __init__(self, meters: tuple[int, ...], priors: CountPriors) -> None:
        weight = np.array([priors.of_meter(m) for m in meters])
        share = dict(zip(meters, weight / weight.sum(), strict=True))
        longer = [m for m in meters if m > THROWN_IN] if THROWN_IN in meters else []
        # (home meter, length of the bar, position): a bar thrown in knows which meter it returns to.
        states = [(m, m, p) for m in meters for p in range(m)]
        states += [(m, THROWN_IN, p) for m in longer for p in range(THROWN_IN)]
        index = {state: i for i, state in enumerate(states)}
        self.meter = np.array([length for _, length, _ in states])
        self.position = np.array([p for _, _, p in states])
        self.prior = np.array([share[home] / length if home == length else 0.0 for home, length, _ in states])
        self.transition = np.zeros((len(states), len(states)))
        for (home, length, p), i in index.items():
            if p < length - 1:
                self.transition[i, index[home, length, p + 1]] = 1.0
                continue
            thrown = priors.thrown_in if home in longer and length == home else 0.0
            if thrown:
                self.transition[i, index[home, THROWN_IN, 0]] = thrown
            self.transition[i, index[home, home, 0]] += (1 - priors.change) * (1 - thrown)
            for other in meters:
                self.transition[i, index[other, other, 0]] += priors.change * (1 - thrown) * share[other]

    def log_emission(self, log_odds: FloatArray) -> FloatArray:
        """(n_beats, n_states) log probability of what was heard at each beat."""
        is_one = (self.position == 0)[None, :]
        log_yes = -np.logaddexp(0, -log_odds)[:, None]
        log_no = -np.logaddexp(0, log_odds)[:, None]
        return np.where(is_one, log_yes, log_no)


def _viterbi(emission: FloatArray, model: _Model) -> IntArray:
    with np.errstate(divide="ignore"):
        log_transition, log_prior = np.log(model.transition), np.log(model.prior)
    value = log_prior + emission[0]
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
