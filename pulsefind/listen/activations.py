"""How likely a beat and a downbeat are, frame by frame, according to one of the networks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.ndimage import maximum_filter1d

from pulsefind.core.records import STRUCK_COLUMNS, Activations, Audio, FloatArray
from pulsefind.listen.network import KIT, Float32Array, at_100_hz, network_outputs, whole_and_bass
from pulsefind.listen.sounding import within_music
from pulsefind.listen.stock import stock_activations

OWN, STOCK = "own", "stock"
"""pulsefind's own network, and madmom's (Böck, Krebs and Widmer 2016; not for paid work)."""

_FRAME_RATE_HZ = 100.0  # that of madmom's networks; our own are interpolated to it (published)
_LOG_ODDS_REACH = 2  # frames, 20 ms: judged
_LOG_ODDS_FLOOR = 0.005  # judged: below it a network's output is noise
_PHASE_REACH = 3  # frames, 30 ms: judged
_PHASE_FLOOR = 1e-4  # judged: so that log odds stay finite


def activations(
    audio: Audio, network: str, use_cache: bool, kit: Callable[[], Float32Array] | None = None
) -> Activations:
    """Let a network listen, or take what an earlier run on the same sound left in the cache.

    kit: returns the kit network's (n, 10) outputs for the same sound, if another thread is computing them; it is called
    last, so that both networks can run at once. The beat phase comes from our own network, as the mean of what it hears
    in the whole and in the bass alone. There are no beats after the last attack. 100 frames a second; an empty
    recording gives n_frames = 0.

    Raises
    ------
    HintError
        if madmom's network is asked for and isn't installed.
    """
    if len(audio.samples) == 0:
        return Activations(np.zeros((0, 2)), np.zeros(0), np.zeros(0), _FRAME_RATE_HZ)
    if network == STOCK:
        return _activations(audio, (stock_activations(audio, use_cache),), np.zeros((0, STRUCK_COLUMNS)))
    outputs = whole_and_bass(audio, use_cache)
    hit = kit() if kit else network_outputs(audio, KIT, use_cache)
    struck = np.concatenate([*(values[:, :2] for values in outputs), hit], axis=1).astype(np.float64)
    return _activations(audio, tuple(at_100_hz(values, audio.duration_s) for values in outputs), struck)


def _activations(audio: Audio, heard: tuple[FloatArray, ...], struck: FloatArray) -> Activations:
    """heard: (n_frames, 2) of the whole, and of whatever else tells the two beat phases apart."""
    phases = np.mean([phase_log_odds(values) for values in heard], axis=0)
    values = np.asarray(heard[0], np.float64)
    ones = downbeat_log_odds(values)
    return Activations(within_music(values, audio), ones, phases, _FRAME_RATE_HZ, struck)


def _beat_log_odds(values: FloatArray, floor: float) -> FloatArray:
    """(n_frames,) log odds of any beat against none."""
    beat = np.clip(values.sum(axis=1), floor, 1 - floor)
    log_odds: FloatArray = np.log(beat / (1 - beat))
    return log_odds


def _one_log_odds(values: FloatArray, floor: float) -> FloatArray:
    """(n_frames,) log odds of a downbeat against another beat."""
    log_odds: FloatArray = np.log(values[:, 1] + floor) - np.log(values[:, 0] + floor)
    return log_odds


def downbeat_log_odds(values: FloatArray) -> FloatArray:
    """(n_frames,) log odds of downbeat against other beat, from the highest activations within 20 ms."""
    near = maximum_filter1d(values, 2 * _LOG_ODDS_REACH + 1, axis=0, mode="nearest")
    return _one_log_odds(near, _LOG_ODDS_FLOOR)


def phase_log_odds(values: FloatArray) -> FloatArray:
    """(n_frames,) log odds of any beat, the highest within 30 ms."""
    log_odds: FloatArray = maximum_filter1d(_beat_log_odds(values, _PHASE_FLOOR), 2 * _PHASE_REACH + 1, mode="nearest")
    return log_odds
