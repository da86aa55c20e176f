"""When a stroke is heard to begin: where its own band has risen to a fixed share of its attack.

A change point lies where anything begins at all, the creak of a pedal or the hat that is struck a little before the
kick; the half rise of a window lies early where a sound decays within that window. People hear a sound begin where its
envelope passes a threshold some 6 to 15 dB below its maximum (Vos and Rasch 1981, The perceptual onset of musical
tones; figures from memory), so that is the moment taken here, in the band in which a kind of drum stands out.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfilt

from pulsefind.core.mapped import let_go
from pulsefind.core.records import Audio, FloatArray

BAND_HZ = {"kick": (0.0, 1000.0), "snare": (800.0, 5000.0)}
"""Where each kind stands out from those struck with it (judged on made takes: eval/take/NOTES.md). Cymbals have none:
there it told no more than the times that they have.
"""

THRESHOLD = 0.1
"""The share of the attack's power, 10 dB below its maximum: the middle of the published 6 to 15 dB (from memory)."""

_BACK_S, _AHEAD_S = 0.006, 0.015  # judged: how far from where it was found a stroke may begin, and reach its maximum
_FOOT_S = 0.006  # judged: what sounded before
_LEAST_RISE = 2.0  # judged: a maximum less than 3 dB above what sounded before is no attack
_SMOOTH_S = 0.0005  # judged: short against what anybody hears
_PIECE_S, _MARGIN_S = 60.0, 0.1  # judged: a piece worked on at a time, and a margin wider than any reach here


def begun_s(audio: Audio, time_s: FloatArray, kind: str) -> FloatArray:
    """(n,) when strokes of one kind, found at time_s (n,) seconds, begin; where nothing clearly rises, time_s itself.

    Strokes beyond the edges of the recording stay as they are; none give none. kind is one of BAND_HZ.
    """
    rate_hz = audio.rate_hz
    low_hz, high_hz = BAND_HZ[kind]
    result = np.array(time_s, np.float64)
    if low_hz >= audio.source_rate_hz / 2:
        return result
    for first_s in np.arange(0.0, audio.duration_s, _PIECE_S):
        here = np.flatnonzero((time_s >= first_s) & (time_s < first_s + _PIECE_S))
        if not len(here):
            continue
        lead = max(0, round((first_s - _MARGIN_S) * rate_hz))
        power = _power(audio, lead, round((first_s + _PIECE_S + _MARGIN_S) * rate_hz), low_hz, high_hz)
        for i in here.tolist():
            found = _passes(power, round(float(time_s[i]) * rate_hz) - lead, rate_hz)
            if found is not None:
                result[i] = (lead + found) / rate_hz
    return result


def _power(audio: Audio, first: int, last: int, low_hz: float, high_hz: float) -> FloatArray:
    """Power of one band in a piece of a recording, sample by sample.

    The filter is causal, since one that looks ahead would let strokes ring before they happen, and of low order, so
    that it is late by little.
    """
    half_hz = audio.rate_hz / 2
    if low_hz <= 0:
        sos = butter(2, high_hz, fs=audio.rate_hz, output="sos")
    else:
        sos = butter(2, (low_hz, min(high_hz, 0.99 * half_hz)), "bandpass", fs=audio.rate_hz, output="sos")
    band = sosfilt(sos, audio.samples[first:last].astype(np.float64))
    let_go(audio.samples)
    power: FloatArray = uniform_filter1d(np.square(band), max(3, round(_SMOOTH_S * audio.rate_hz)))
    return power


def _passes(power: FloatArray, at: int, rate_hz: int) -> int | None:
    """The first sample near `at` where the power passes the threshold between foot and maximum."""
    first, last = at - round(_BACK_S * rate_hz), at + round(_AHEAD_S * rate_hz)
    before = first - round(_FOOT_S * rate_hz)
    if before < 0 or last > len(power):
        return None
    foot = float(power[before:first].mean())
    top = int(power[first:last].argmax())
    peak = float(power[first + top])
    if peak <= _LEAST_RISE * foot:
        return None
    return first + int(np.argmax(power[first : first + top + 1] >= foot + THRESHOLD * (peak - foot)))
