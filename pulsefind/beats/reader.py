"""The reader of bars: three small networks over the beats of a song, in plain NumPy.

For every beat they give the probability of each place of each meter. Layers that look ever further along the beats
(dilated convolutions: van den Oord et al., "WaveNet", 2016) let up to 147 beats before and after a beat have a say.
They were trained on whole songs made by a program, each network from a different start; their log probabilities are
averaged. See weights/READER_CARD.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_softmax, logsumexp

from pulsefind.beats.counting import METERS
from pulsefind.core.errors import FormatError
from pulsefind.core.records import FloatArray

Float32Array = NDArray[np.float32]

PLACES = tuple((meter, place) for meter in METERS for place in range(meter))
"""What the reader distinguishes: every place of every meter."""

DILATIONS = (1, 2, 4, 8, 16, 32, 64, 1, 4, 16)
"""Beats between the three taps of each layer (the layout as trained: READER_CARD.md)."""

WEIGHTS = Path(__file__).parent.parent / "weights" / "reader-1.npz"

_EPSILON = 1e-5  # of the normalisation (as trained)
_IS_ONE = np.array([place == 0 for _, place in PLACES])  # which places are a 1 (the layout as trained)


@dataclass(frozen=True, slots=True)
class Weights:
    """Named float32 arrays of each network."""

    networks: tuple[dict[str, Float32Array], ...]


@cache
def packaged_weights() -> Weights:
    """The weights that come with pulsefind. Raises FormatError if the file is damaged."""
    try:
        with np.load(WEIGHTS, allow_pickle=False) as stored:
            found: dict[str, dict[str, Float32Array]] = {}
            for name in stored.files:
                network, _, rest = name.partition(".")
                found.setdefault(network, {})[rest] = stored[name].astype(np.float32)
    except (OSError, ValueError, KeyError, EOFError) as error:
        raise FormatError(f"{WEIGHTS}: no weights of a reader ({error}); install pulsefind again") from error
    return Weights(tuple(found[network] for network in sorted(found)))


def one_log_odds(rows: FloatArray) -> FloatArray:
    """(n_beats,) log odds that each beat is a 1, from beatwise's rows (n_beats, n_columns). No beats give none."""
    places = place_log_probability(rows, packaged_weights())
    log_odds: FloatArray = logsumexp(places[:, _IS_ONE], axis=1) - logsumexp(places[:, ~_IS_ONE], axis=1)
    return log_odds


def place_log_probability(rows: FloatArray, weights: Weights) -> FloatArray:
    """(n_beats, len(PLACES)) log probability of every place at each beat."""
    if not len(rows):
        return np.zeros((0, len(PLACES)))
    said = [log_softmax(_logits(np.asarray(rows, np.float32), w).astype(np.float64), axis=1) for w in weights.networks]
    places: FloatArray = log_softmax(np.mean(said, axis=0), axis=1)
    return places


def _logits(rows: Float32Array, w: dict[str, Float32Array]) -> Float32Array:
    """(n_beats, len(PLACES)) the output of one network."""
    x = rows @ w["entry.weight"].T + w["entry.bias"]
    for k, dilation in enumerate(DILATIONS):
        y = np.pad(_normal(x, w[f"norm{k}.weight"], w[f"norm{k}.bias"]), ((dilation, dilation), (0, 0)))
        taps, z = w[f"dilated{k}.weight"], w[f"dilated{k}.bias"]
        for tap in range(3):
            z = z + y[tap * dilation : tap * dilation + len(x)] @ taps[:, :, tap].T
        x = x + _elu(z) @ w[f"mix{k}.weight"].T + w[f"mix{k}.bias"]
    return _normal(x, w["exit_norm.weight"], w["exit_norm.bias"]) @ w["place.weight"].T + w["place.bias"]


def _normal(x: Float32Array, scale: Float32Array, shift: Float32Array) -> Float32Array:
    """Each row to mean 0 and spread 1, then scaled and shifted (layer normalisation, Ba, Kiros and Hinton 2016)."""
    middle = x.mean(axis=1, keepdims=True)
    spread = np.sqrt(x.var(axis=1, keepdims=True) + np.float32(_EPSILON))
    return np.asarray((x - middle) / spread * scale + shift, np.float32)


def _elu(x: Float32Array) -> Float32Array:
    return np.where(x > 0, x, np.expm1(np.minimum(x, 0)))
