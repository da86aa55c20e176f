"""What the take network hears in a recorded take: which kind of drum is struck when, how likely, and how loud.

The network was taught drums alone (weights/TAKE_CARD.md): soft strokes under long washes, many kits and rooms. It is
shown 100 frames a second up to 18 kHz, so that strokes close together, and soft cymbals, can be told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.special import logit

from pulsefind.core.records import Audio, FloatArray
from pulsefind.listen import network
from pulsefind.listen.network import Float32Array

OUTPUTS = {"kick": "kick", "snare": "snare or tom", "cymbal": "hat or cymbal"}
"""Which of the network's outputs each kind of stroke is: a review by sound counts toms with snares."""

LEAST_LOG_ODDS = -6.0
"""What is less likely is no peak to speak of (judged)."""

_BAND_HZ = {"kick": (30.0, 160.0), "snare": (150.0, 8000.0), "cymbal": (5000.0, 18000.0)}
"""Where the level of each kind is measured (common practice, no source)."""

_PEAK_FRAMES = 5  # judged: no hand strikes twice within 20 ms
_SLOPE = 1.6  # as trained: how far the frames beside a stroke differ as it moves from one to the other
_TOP_FRAMES, _FOOT_FRAMES = 4, (3, 6)  # judged: a stroke's maximum, and what sounded before, in frames from its own


@dataclass(frozen=True, slots=True)
class Peaks:
    """(n,) each: when a kind of drum may be struck, the log odds that it is, and its level in dB."""

    time_s: FloatArray
    log_odds: FloatArray
    level_db: FloatArray


def hear(audio: Audio) -> dict[str, Peaks]:
    """The peaks of each kind of OUTPUTS, in order of time. An empty recording has none."""
    power: list[FloatArray] = []
    spectra = _measured(network.spectra_of(audio, network.TAKE_EAR), power)
    likely = network.network_outputs(audio, network.TAKE, spectra=spectra)
    names = network.packaged_weights(network.TAKE).outputs
    found = {}
    for column, (kind, output) in enumerate(OUTPUTS.items()):
        level = np.concatenate([block[:, column] for block in power]) if power else np.zeros(0)
        found[kind] = _peaks(likely[:, names.index(output)].astype(np.float64), level)
    return found


def _measured(blocks: Iterable[Float32Array], power: list[FloatArray]) -> Iterator[Float32Array]:
    """The blocks as they are; the power of each kind's band in every frame is added to the list."""
    centre_hz = network.centres_hz(network.TAKE_EAR)
    inside = np.array([(centre_hz >= low) & (centre_hz <= high) for low, high in _BAND_HZ.values()], np.float32).T
    for block in blocks:
        power.append(np.square((10.0 ** block[:, 0] - 1.0) / network.SCALE) @ inside)
        yield block


def _peaks(likely: FloatArray, power: FloatArray) -> Peaks:
    """Local maxima, placed between frames by their neighbours."""
    if not len(likely):
        return Peaks(np.zeros(0), np.zeros(0), np.zeros(0))
    log_odds = logit(np.clip(likely, 1e-4, 1 - 1e-4))
    frame = np.flatnonzero((likely == maximum_filter1d(likely, _PEAK_FRAMES)) & (log_odds > LEAST_LOG_ODDS))
    beside = np.pad(likely, 1, mode="edge")
    between = np.clip((beside[frame + 2] - beside[frame]) / _SLOPE, -0.5, 0.5)
    time_s = np.maximum((frame + between) / network.TAKE_EAR.frame_rate_hz, 0.0)
    last = len(power) - 1
    # What is struck next is no part of a stroke: a grace note would be as loud as the main one.
    until = np.append(np.diff(frame), _TOP_FRAMES + 1) - 1
    top = np.max([power[np.clip(frame + np.minimum(k, until - 1), 0, last)] for k in range(_TOP_FRAMES)], axis=0)
    foot = np.min([power[np.clip(frame - k, 0, last)] for k in range(*_FOOT_FRAMES)], axis=0)
    level_db = 10 * np.log10(np.maximum(top - foot, 1e-3 * top) + 1e-12)
    return Peaks(time_s, log_odds[frame], level_db)
