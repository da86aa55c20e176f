"""Measures the attacks of a sound: time to a millisecond, level, timbre, decay, noisiness.

Each hit's time is set to the middle of its rise in 1 ms frames of its own band.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.mapped import pieces
from pulsefind.core.records import Audio, FloatArray, Hits, IntArray, Sound
from pulsefind.listen.features import HOP, Float32Array, Spectrogram, framed_magnitude
from pulsefind.listen.sliding import sliding_magnitude

MIN_HITS = 6  # judged: fewer make no recurring sound
TIMBRE_HZ = (60.0, 120.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)  # judged: middles of octaves, about
_FINE_PERIODS, _FINE_REACH_MS = 8.0, 30  # judged: periods of the band in a window, and how far around a rise is traced
_BEFORE_MS, _AFTER_MS = 15, 12  # judged: where the steepest rise is looked for
_NEAR_REACH_MS = (20, 18)
"""The reach tried first (judged): most rises lie wholly within it, and then looking further changes nothing."""

_FLATNESS_HITS = 40  # judged: hits that suffice for a median
_BLOCK_FRAMES = 8192  # judged: frames handled at once


@dataclass(frozen=True, slots=True)
class Group:
    """The attacks of one sound: attack (n,) in frames of the spectrogram, strength (n,), weight (bands,) of its band.

    log_odds (n,) as in Hits; None: all are certain. drum and instrument as in Sound.
    """

    attack: IntArray
    strength: FloatArray
    weight: FloatArray
    drum: str = ""
    log_odds: FloatArray | None = None
    instrument: str = ""

    def sure(self) -> IntArray:
        """The attacks that are not doubtful."""
        return self.attack if self.log_odds is None else self.attack[self.log_odds >= 0]


def hits_of(audio: Audio, spectrum: Spectrogram, groups: list[Group]) -> Hits:
    """Time and measure the hits of each group; each group becomes one sound. No groups give no hits."""
    if not groups:
        return _no_hits()
    rows = []
    timbre = power_in(spectrum, _timbre_weights(spectrum.centre_hz))
    for k, group in enumerate(groups):
        time_s = _fine_times_s(audio, group.attack, group.weight, spectrum.centre_hz)
        level = rise_db(power_in(spectrum, group.weight), group.attack)
        bands = np.stack([rise_db(power, group.attack) for power in timbre.T], axis=1)
        log_odds = np.zeros(len(time_s)) if group.log_odds is None else group.log_odds
        rows.append((time_s, np.full(len(time_s), k), group.strength, level, bands, log_odds))
    time_s, sound, strength, level, bands, log_odds = (np.concatenate(column) for column in zip(*rows, strict=True))
    order = np.lexsort((sound, time_s))
    sounds = tuple(_describe(audio, spectrum, group) for group in groups)
    measured = (time_s[order], sound[order], strength[order], level[order], bands[order])
    return Hits(*measured, TIMBRE_HZ, sounds, log_odds[order])


def _no_hits() -> Hits:
    nothing = np.zeros(0)
    return Hits(nothing, np.zeros(0, np.int64), nothing, nothing, np.zeros((0, len(TIMBRE_HZ))), TIMBRE_HZ, ())


def band_weight(spectrum: Spectrogram, attack: IntArray, allowed: FloatArray) -> FloatArray:
    """(bands,) each band's share of the sound, summing to 1: how much louder it gets, in the allowed bands."""
    last = len(spectrum.magnitude) - 1
    after = np.mean([spectrum.magnitude[np.clip(attack + k, 0, last)] for k in range(1, 5)], axis=0)
    before = np.mean([spectrum.magnitude[np.clip(attack - k, 0, last)] for k in range(3, 7)], axis=0)
    louder = np.maximum(np.median(after - before, axis=0), 0.0).astype(np.float64) * allowed
    if louder.sum() <= 0:
        louder = allowed + 1e-12
    share: FloatArray = louder / louder.sum()
    return share


def power_in(spectrum: Spectrogram, weight: FloatArray) -> FloatArray:
    """(n_frames,) power in the bands of a weight (bands,), or (n_frames, k) for weights (bands, k).

    Piece by piece, since a squared copy of an hour's spectrogram takes 200 MB.
    """
    power = np.empty((len(spectrum.magnitude), *weight.shape[1:]))
    for k, piece in enumerate(pieces(spectrum.magnitude, _BLOCK_FRAMES)):
        first = k * _BLOCK_FRAMES
        power[first : first + len(piece)] = np.square(piece) @ weight.astype(np.float32)
    return power


def rise_db(power: FloatArray, attack: IntArray) -> FloatArray:
    """How far each hit rises above what sounded 15 to 40 ms before it, from the power (n_frames,) of its own band."""
    last = len(power) - 1
    peak = np.max([power[np.clip(attack + k, 0, last)] for k in range(5)], axis=0)
    before = np.mean([power[np.clip(attack - k, 0, last)] for k in range(3, 9)], axis=0)
    floor = 1e-6 * float(power.max()) + 1e-20
    level: FloatArray = np.clip(10 * np.log10((peak + floor) / (before + floor)), 0.0, 60.0)
    return level


def _timbre_weights(centre_hz: FloatArray) -> FloatArray:
    """(bands, len(TIMBRE_HZ)) share of each band in the parts of the spectrum that describe timbre."""
    edges = np.sqrt(np.array(TIMBRE_HZ[:-1]) * np.array(TIMBRE_HZ[1:]))
    inside = np.searchsorted(edges, centre_hz)[:, None] == np.arange(len(TIMBRE_HZ))
    weights: FloatArray = inside / np.maximum(1, inside.sum(axis=0))
    return weights


def _fine_times_s(audio: Audio, attack: IntArray, weight: FloatArray, centre_hz: FloatArray) -> FloatArray:
    """(n,) time at which the envelope of a sound's band has risen half way, sampled in 1 ms steps.

    The window is just long enough for the band. A symmetric window is half full when its centre passes a sudden start,
    whatever its length.
    """
    middle_hz = float(np.interp(0.5, np.cumsum(weight), centre_hz))
    window = int(2 ** np.clip(np.round(np.log2(_FINE_PERIODS * audio.rate_hz / middle_hz)), 8, 11))
    bin_hz = np.arange(window // 2 + 1) * audio.rate_hz / window
    share = np.interp(bin_hz, centre_hz, weight, left=weight[0], right=0.0)
    bank = np.sqrt(share).astype(np.float32)[:, None]
    centre = attack * HOP
    offset_ms, whole = _rises_ms(audio, centre, window, bank, _NEAR_REACH_MS)
    if not whole.all():
        offset_ms[~whole], _ = _rises_ms(audio, centre[~whole], window, bank, (_FINE_REACH_MS, _FINE_REACH_MS))
    found: FloatArray = np.maximum(0.0, centre / audio.rate_hz + offset_ms / 1000)
    return found


def _rises_ms(
    audio: Audio, centre: IntArray, window: int, bank: Float32Array, reach_ms: tuple[int, int]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """How long after each centre (n,) the envelope has risen half way; and did the whole rise lie within the reach?"""
    shift_ms = np.arange(-reach_ms[0], reach_ms[1] + 1)
    shift = np.round(shift_ms * audio.rate_hz / 1000).astype(np.int64)
    envelope = sliding_magnitude(audio.samples, window, centre, shift, bank)[:, :, 0].astype(np.float64)
    at, seen_whole = _half_rise(envelope, reach_ms[0])
    return 1000 * np.interp(at, np.arange(len(shift)), shift) / audio.rate_hz, seen_whole


def _half_rise(envelope: FloatArray, middle: int) -> tuple[FloatArray, NDArray[np.bool_]]:
    """For each envelope (n, m): the index (fractional) at which its steepest rise near the middle is half way from its
    foot to its peak; and whether both lie inside the envelope: at an end, the rise may go on beyond it.
    """
    each, at = np.arange(len(envelope)), np.arange(envelope.shape[1])
    slope = np.diff(envelope, axis=1)
    steepest = slope[:, middle - _BEFORE_MS : middle + _AFTER_MS].argmax(axis=1) + middle - _BEFORE_MS
    ends = np.c_[slope <= 0, np.ones(len(envelope), np.bool_)] & (at > steepest[:, None])
    begins = np.c_[np.ones(len(envelope), np.bool_), slope <= 0] & (at <= steepest[:, None])
    top, foot = ends.argmax(axis=1), len(at) - 1 - begins[:, ::-1].argmax(axis=1)
    whole = (foot > 0) & (top < len(at) - 1)
    half = (envelope[each, foot] + envelope[each, top]) / 2
    # In between it rises from frame to frame; where it doesn't rise at all, foot and top are neighbours that don't.
    over = (envelope[:, 1:] >= half[:, None]) & (at[:-1] >= foot[:, None]) & (at[:-1] < top[:, None])
    k = over.argmax(axis=1)
    rises = over.any(axis=1) & (slope[each, k] > 0)
    part = (half - envelope[each, k]) / np.where(rises, slope[each, k], 1.0)
    return np.where(rises, k + part, steepest), whole


def _describe(audio: Audio, spectrum: Spectrogram, group: Group) -> Sound:
    """Measure a sound from its attacks and from the median course of its band after them."""
    attack, weight = group.sure(), group.weight
    centre_hz = float(np.interp(0.5, np.cumsum(weight), spectrum.centre_hz))
    last = len(spectrum.magnitude) - 1
    power = power_in(spectrum, weight)
    course = np.array([np.median(power[np.clip(attack + k, 0, last)]) for k in range(121)])
    rest = np.median([np.median(power[np.clip(attack - k, 0, last)]) for k in range(3, 9)])
    above = np.maximum(course - rest, 0.0)
    top = int(np.argmax(above[:8]))
    fallen = np.flatnonzero(above[top:] < 0.01 * above[top])
    decay_frames = int(fallen[0]) if len(fallen) else len(above) - top
    decay_ms = 1000 * decay_frames / spectrum.frame_rate_hz
    return Sound(centre_hz, decay_ms, _noisiness(audio, attack, weight, spectrum), group.drum, group.instrument)


def _noisiness(audio: Audio, attack: IntArray, weight: FloatArray, spectrum: Spectrogram) -> float:
    """Spectral flatness just after the attack, in the sound's own band: 0 for a tone, 1 for noise.

    The flatness (geometric over arithmetic mean) of a noise periodogram is exp(-Euler's gamma) = 0.56, the scale here.
    """
    window = 2048
    cumulative = np.cumsum(weight)
    low_hz, high_hz = np.interp([0.1, 0.9], cumulative, spectrum.centre_hz)
    first = int(low_hz * window / audio.rate_hz)
    last = max(first + 8, int(high_hz * window / audio.rate_hz) + 1)
    some = attack[:: max(1, len(attack) // _FLATNESS_HITS)]
    bins = np.eye(window // 2 + 1, dtype=np.float32)[:, first:last]
    power = framed_magnitude(audio.samples, window, some * HOP + window // 2, bins).astype(np.float64) ** 2 + 1e-20
    flatness = np.exp(np.log(power).mean(axis=1)) / power.mean(axis=1)
    return float(min(1.0, np.median(flatness) / np.exp(-np.euler_gamma)))
