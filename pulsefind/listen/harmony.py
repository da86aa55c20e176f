"""Where the harmony changes: chords and bass tend to move at bar lines, with or without drums."""

from __future__ import annotations

import numpy as np

from pulsefind.core.cache import code_version, kept, shaped
from pulsefind.core.mapped import let_go
from pulsefind.core.records import Audio, FloatArray, Harmony, IntArray
from pulsefind.listen.audio import resampled
from pulsefind.listen.features import Float32Array, framed_magnitude

RATE_HZ = 22050  # judged: chords lie far below half of it
HOP = 1102  # 20 frames a second: judged, several a beat
WINDOW = 8192  # 0.37 s: separates semitones from 80 Hz on (arithmetic)

_BASS_BELOW_HZ = 220.0  # A3: judged, where basses end and chords begin
_LOW_HZ, _HIGH_HZ = 40.0, 2500.0  # judged: from a bass's low E to where overtones take over


def harmony_of(audio: Audio, use_cache: bool = False) -> Harmony:
    """Strength of the twelve pitch classes, below and above A3, 20 times a second. No sound gives no frames."""

    def name() -> str:
        return f"harmony-{code_version(__file__)}-{audio.sha256}"

    (strength,) = kept(name, lambda: (_strength(audio),), use_cache, shaped(("n", 24)))
    return Harmony(strength.astype(np.float64), RATE_HZ / HOP)


def _strength(audio: Audio) -> Float32Array:
    """(n_frames, 24) of each pitch class, piece by piece: a copy of several hours at half the rate would take a
    gigabyte.
    """
    bank = _pitch_class_bank()
    found = [np.zeros((0, bank.shape[1]), np.float32)]
    # What the next frame looks back at: silence before the beginning.
    waiting = np.zeros(WINDOW // 2, np.float32)
    for piece in resampled(audio, RATE_HZ):
        waiting = np.concatenate([waiting, piece])
        count = max(0, 1 + (len(waiting) - WINDOW) // HOP)
        found.append(_magnitude(waiting, count, bank))
        waiting = waiting[count * HOP :]
        let_go(audio.samples)
    count = -(-(len(waiting) - WINDOW // 2) // HOP)
    found.append(_magnitude(waiting, count, bank))
    return np.sqrt(np.concatenate(found))


def _magnitude(samples: Float32Array, count: int, bank: Float32Array) -> Float32Array:
    """(count, 24) of the first windows of a signal, a hop apart; beyond its end there is silence."""
    return framed_magnitude(samples, WINDOW, WINDOW // 2 + HOP * np.arange(count), bank)


def _pitch_class_bank() -> Float32Array:
    """(bins, 24): which bin belongs to which pitch class, in the bass (first twelve) and above it."""
    bin_hz = np.fft.rfftfreq(WINDOW, 1 / RATE_HZ)
    used = (bin_hz >= _LOW_HZ) & (bin_hz <= _HIGH_HZ)
    bank = np.zeros((len(bin_hz), 24), dtype=np.float32)
    note = 69 + 12 * (np.log2(np.maximum(bin_hz, 1.0)) - np.log2(440.0))
    nearness = np.exp(-0.5 * ((note - np.round(note)) / 0.2) ** 2)
    column = np.round(note).astype(int) % 12 + np.where(bin_hz < _BASS_BELOW_HZ, 0, 12)
    bank[used, column[used]] = nearness[used]
    return bank


def chord_change(harmony: Harmony, time_s: FloatArray) -> FloatArray:
    """(n_beats,) how much the harmony after each beat differs from that before it, in standard deviations.

    The mean pitch-class profiles of the beats before and after are compared by their angle, separately for bass and
    upper part, and the two are added. Fewer than three beats give zeros.
    """
    n_frames = len(harmony.pitch_class)
    if len(time_s) < 3 or n_frames == 0:
        return np.zeros(len(time_s))
    total = np.r_[np.zeros((1, 24)), np.cumsum(harmony.pitch_class, axis=0)]
    at = np.clip(np.round(time_s * harmony.frame_rate_hz).astype(np.int64), 0, n_frames)
    step = max(1, round(float(np.median(np.diff(time_s))) * harmony.frame_rate_hz))
    before = mean_between(total, np.maximum(at - step, 0), at)
    after = mean_between(total, at, np.minimum(at + step, n_frames))
    change: FloatArray = _standardised(angle(before[:, :12], after[:, :12])) + _standardised(
        angle(before[:, 12:], after[:, 12:])
    )
    return change


def mean_between(total: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """(n, k) means over frames first..last (n,), from cumulative sums (n_frames + 1, k); empty ranges give zeros."""
    mean: FloatArray = (total[last] - total[first]) / np.maximum(last - first, 1)[:, None]
    return mean


def angle(a: FloatArray, b: FloatArray) -> FloatArray:
    """One minus the cosine between rows."""
    length = np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1)
    distance: FloatArray = 1 - (a * b).sum(axis=1) / np.maximum(length, 1e-9)
    return distance


def _standardised(values: FloatArray) -> FloatArray:
    spread = float(values.std())
    result: FloatArray = (values - values.mean()) / spread if spread > 1e-9 else np.zeros(len(values))
    return result
