"""The sound of a click: a short tone with smooth edges, drawn at its exact time between the samples.

The tone is a formula of continuous time, so it can be evaluated at any sub-sample position without a filter. Its
envelope has a continuous slope everywhere, so its spectrum falls with the third power of the distance from the tone: at
16 kHz and above (half the lowest rate that is written) less than -90 dB is left.
"""

from __future__ import annotations

import functools

import numpy as np
import pyebur128

from pulsefind.core.records import FloatArray

TONE_HZ = (1320.0, 1980.0)
"""The plain click and the accented one, a fifth apart (judged by ear)."""

RISE_S = 0.001
"""The attack, half way up at the click's time (judged by ear)."""

DECAY_S = 0.012  # judged by ear: short and dry
LENGTH_S = 0.06  # five decays: -43 dB (arithmetic)
_RELEASE_S = 0.02  # judged by ear: the end is faded so that nothing snaps
_WINDOW_S = 0.1  # judged: over which a click's loudness is measured
_CALIBRATION_HZ = 48000  # published: the rate whose filters ITU-R BS.1770 lists


def wave(time_s: FloatArray, tone_hz: float) -> FloatArray:
    """The click with amplitude 1 at time_s (n,) relative to its onset; zero outside -RISE_S / 2 .. LENGTH_S."""
    since = time_s + RISE_S / 2
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(since / RISE_S, 0, 1))
    release = 0.5 + 0.5 * np.cos(np.pi * np.clip((time_s - LENGTH_S + _RELEASE_S) / _RELEASE_S, 0, 1))
    sound: FloatArray = rise * release * np.exp(-np.maximum(since, 0) / DECAY_S) * np.sin(2 * np.pi * tone_hz * time_s)
    return sound


def draw(out: FloatArray, at: float, amplitude: float, tone_hz: float, rate_hz: int) -> None:
    """Add a click to out (n,) with its onset at sample position `at`, which need not be whole nor inside out."""
    first = max(0, int(np.ceil(at - RISE_S / 2 * rate_hz)))
    last = min(len(out), int(np.floor(at + LENGTH_S * rate_hz)) + 1)
    if first < last:
        out[first:last] += amplitude * wave((np.arange(first, last) - at) / rate_hz, tone_hz)


@functools.lru_cache(maxsize=len(TONE_HZ))
def loudness_lufs(tone_hz: float) -> float:
    """The loudness of a click of amplitude 1 over 100 ms, in LUFS, by EBU R 128.

    It is that of a click every 100 ms, in mono.
    """
    n = int(_WINDOW_S * _CALIBRATION_HZ)
    one = np.zeros(n)
    draw(one, n / 4, 1.0, tone_hz, _CALIBRATION_HZ)
    train = np.tile(one, 20).astype(np.float32)
    meter = pyebur128.R128State(1, _CALIBRATION_HZ, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(train, len(train))
    return float(pyebur128.get_loudness_global(meter))


def amplitude(tone_hz: float, wanted_lufs: float) -> float:
    """The amplitude at which a click is as loud as asked for, whatever its tone."""
    return float(10 ** ((wanted_lufs - loudness_lufs(tone_hz)) / 20))
