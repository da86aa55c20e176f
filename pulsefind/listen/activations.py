"""How likely a beat and a downbeat are, frame by frame, according to one of the networks."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from pulsefind.core.records import Activations, Audio, FloatArray
from pulsefind.core.shared import shared
from pulsefind.listen.network import BASS_BANDS, KIT, PULSE, Float32Array, at_100_hz, network_outputs, spectra_of
from pulsefind.listen.sounding import within_music
from pulsefind.listen.stock import stock_activations

OWN, STOCK = "own", "stock"
"""pulsefind's own network, and madmom's (Böck, Krebs and Widmer 2016; not for paid work)."""

ACTIVATIONS_HZ = 100.0  # that of madmom's networks; our own are interpolated to it (published)
_LOG_ODDS_REACH = 2  # frames, 20 ms: judged
_LOG_ODDS_FLOOR = 0.005  # judged: below it a network's output is noise
_PHASE_REACH = 3  # frames, 30 ms: judged
_PHASE_FLOOR = 1e-4  # judged: so that log odds stay finite


def activations(audio: Audio, network: str, use_cache: bool) -> Activations:
    """Let a network listen, or take what an earlier run on the same sound left in the cache.

    There are no beats after the last attack. 100 frames a second; an empty recording gives n_frames = 0.

    Raises
    ------
    HintError
        if madmom's network is asked for and isn't installed.
    """
    if len(audio.samples) == 0:
        return Activations(np.zeros((0, 2)), np.zeros(0), np.zeros(0), ACTIVATIONS_HZ)
    if network == STOCK:
        heard = stock_activations(audio, use_cache)
        phases = phase_log_odds(heard)
        return Activations(within_music(heard, audio), downbeat_log_odds(heard), phases, ACTIVATIONS_HZ)
    for_whole, for_bass, for_kit = shared(spectra_of(audio), 3)
    whole = network_outputs(audio, PULSE, use_cache, for_whole)
    bass = network_outputs(audio, PULSE, use_cache, for_bass, BASS_BANDS)
    kit = network_outputs(audio, KIT, use_cache, for_kit)
    return own_activations(own_beats(audio, whole), audio.duration_s, whole, bass, kit)


def own_beats(audio: Audio, whole: Float32Array) -> FloatArray:
    """The activations' values (n_frames, 2), from what pulse-1 hears in a recording."""
    return within_music(at_100_hz(whole, audio.duration_s), audio)


def own_activations(
    values: FloatArray, duration_s: float, whole: Float32Array, bass: Float32Array, kit: Float32Array
) -> Activations:
    """Activations from `own_beats` and the outputs of pulse-1 for the whole sound and for the bass alone, and of kit-1.

    The beat phase is the mean of what pulse-1 hears in the two.
    """
    heard, low = (at_100_hz(outputs, duration_s) for outputs in (whole, bass))
    phases = np.mean([phase_log_odds(either) for either in (heard, low)], axis=0)
    struck = np.concatenate([whole[:, :2], bass[:, :2], kit], axis=1).astype(np.float64)
    return Activations(values, downbeat_log_odds(heard), phases, ACTIVATIONS_HZ, struck)


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
