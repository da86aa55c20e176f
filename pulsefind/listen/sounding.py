"""Where in a recording there is a beat at all: not in silence, the end of a fade, noise or applause."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from pulsefind.core.mapped import pieces
from pulsefind.core.records import Audio, FloatArray, IntArray

FRAME_RATE_HZ = 100  # that of the activations (published: as madmom has it)

SILENCE_DB = -60.0
"""Relative to the recording's own loud frames: nobody plays along to anything quieter (judged)."""

ATTACK_DB = 1.0
"""Rise of the power in 30 ms over that in the 100 ms before: five standard deviations of steady white noise, whose
power in 1323 samples varies by 0.17 dB (arithmetic).
"""

TELLING = 0.1
"""Given exact silence, a network still puts out up to 0.1 (measured)."""

PLAIN, PLAIN_PEAKS = 0.35, 4
"""A stretch with this many peaks this high, at regular distances, is music with a beat: each of 66 recordings has some,
none of nine kinds of noise, hum and random claps does (measured with our own network).
"""

REGULAR = 0.35
"""Correlation with itself a beat later. White and pink noise and random claps have at most 0.28 in the median stretch,
each of 66 recordings at least 0.65 (measured).
"""

_LOUD_PERCENTILE = 95  # judged: what counts as the loud frames
_AFTER_FRAMES, _BEFORE_FRAMES = 3, 10  # judged: compared around an attack
_NEAR_FRAMES = 10  # judged: how far beyond the sound activations stay
_STRETCH, _STEP = 600, 50  # frames, 6 s every half second: judged
_SHORTEST_BEAT, _LONGEST_BEAT = 25, 150  # frames, 240 to 40 a minute: judged
_PIECE_FRAMES = 1 << 10  # judged: frames handled at once, 10 s


def within_music(values: FloatArray, audio: Audio) -> FloatArray:
    """(n_frames, 2) the activations, 0 in silence before the music and after its last attack.

    The network keeps counting for some seconds while the last chord rings. Its count during a stop within the music
    stays, since it knows where the beat would be.
    """
    kept = np.zeros_like(values)
    sound, attack = _sounds_and_attacks(audio)
    if not attack.any():
        return kept
    last = int(np.flatnonzero(attack)[-1]) + _NEAR_FRAMES
    inside = slice(max(0, int(sound.argmax()) - _NEAR_FRAMES), last + 1)
    kept[inside] = values[inside]
    return kept


def _sounds_and_attacks(audio: Audio) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(n_frames,) at 100 frames a second: is there any sound; does power rise there?

    Both are relative to the recording's own level, so that its gain doesn't matter: silence is SILENCE_DB below the
    loud frames. A recording of zeros is all silence.
    """
    power = _power(audio)
    limit = np.percentile(power, _LOUD_PERCENTILE, axis=0) * 10 ** (SILENCE_DB / 10) if len(power) else 0.0
    sound: NDArray[np.bool_] = np.any(power > limit, axis=1)
    padded = np.pad(power, ((_BEFORE_FRAMES, _AFTER_FRAMES - 1), (0, 0)))
    before = uniform_filter1d(padded, _BEFORE_FRAMES, axis=0, origin=-(_BEFORE_FRAMES // 2))[: len(power)]
    after = uniform_filter1d(padded, _AFTER_FRAMES, axis=0, origin=-(_AFTER_FRAMES // 2))[_BEFORE_FRAMES:][: len(power)]
    rises = (after > limit) & (after >= before * 10 ** (ATTACK_DB / 10))
    attack: NDArray[np.bool_] = np.any(rises, axis=1)
    return sound, attack


def _power(audio: Audio) -> FloatArray:
    """(n_frames, 2) mean square of each hundredth of a second, of the samples and of their differences.

    The second shows a hi-hat over a loud bass, which the first doesn't.
    """
    step = audio.rate_hz // FRAME_RATE_HZ
    found, before = [], np.zeros(1, np.float32)
    for piece in pieces(audio.samples, _PIECE_FRAMES * step):
        first = np.arange(0, len(piece), step)
        n = np.diff(first, append=len(piece))
        both = (piece, np.diff(piece, prepend=before))
        found.append(np.stack([np.add.reduceat(np.square(x, dtype=np.float64), first) / n for x in both], axis=1))
        before = piece[-1:]
    return np.concatenate(found) if found else np.zeros((0, 2))


def sounding(values: FloatArray) -> slice:
    """The frames from the first to the last that show a beat; none if there is no beat.

    values: (n_frames, 2) activations at 100 frames a second. A stretch of six seconds is music if its peaks are plain
    and recur a beat later; before the first and after the last of those, stretches still count as long as either holds.
    In between, anything may happen.
    """
    either = values.sum(axis=1)
    if len(either) < 2 * _SHORTEST_BEAT:
        return slice(0, 0)
    length = min(_STRETCH, len(either))
    start = np.unique(np.append(np.arange(0, len(either) - length + 1, _STEP), len(either) - length))
    plain = _plain_peaks(either, start, length) >= PLAIN_PEAKS
    regular = _regularity(either, start, length) >= REGULAR
    music = np.flatnonzero(plain & regular)
    if not len(music):
        return slice(0, 0)
    first, last = _stretched(plain | regular, int(music[0]), int(music[-1]))
    middle = start + length // 2
    low = 0 if first == 0 else (middle[first - 1] + middle[first]) // 2
    high = len(either) if last == len(start) - 1 else (middle[last] + middle[last + 1]) // 2
    frame = low + np.flatnonzero(either[low:high] >= TELLING)
    return slice(int(frame[0]), int(frame[-1]) + 1) if len(frame) else slice(0, 0)


def _stretched(good: NDArray[np.bool_], first: int, last: int) -> tuple[int, int]:
    """The range, extended at both ends as long as its neighbours are good."""
    while first > 0 and good[first - 1]:
        first -= 1
    while last < len(good) - 1 and good[last + 1]:
        last += 1
    return first, last


def _plain_peaks(either: FloatArray, start: IntArray, length: int) -> IntArray:
    """(n_stretches,) how many plain peaks each stretch has; of two within a shortest beat the higher counts."""
    peak = (either == maximum_filter1d(either, _SHORTEST_BEAT)) & (either >= PLAIN)
    total = np.append(0, np.cumsum(peak))
    count: IntArray = total[start + length] - total[start]
    return count


def _regularity(either: FloatArray, start: IntArray, length: int) -> FloatArray:
    """(n_stretches,) the highest autocorrelation of each stretch at the length of any beat, 1 if it repeats exactly."""
    stretch = np.lib.stride_tricks.sliding_window_view(either, length)[start]
    stretch = stretch - stretch.mean(axis=1, keepdims=True)
    product = np.fft.irfft(np.abs(np.fft.rfft(stretch, 2 * length)) ** 2)
    lag = np.arange(_SHORTEST_BEAT, max(_SHORTEST_BEAT + 1, min(_LONGEST_BEAT, length // 2)))
    # Each lag sums a different number of products.
    share = product[:, lag] * length / (length - lag)
    regularity: FloatArray = share.max(axis=1) / np.maximum(product[:, 0], 1e-12)
    return regularity
