"""The strokes of a recorded take: when, to about a millisecond, and of what kind.

A take is mostly drums, and close by, so it is read otherwise than a track. 1. Four bands are followed in 1 ms
steps; a stroke is a rise that one of them can't explain by what rang before. 2. Its time is the change point of the
signal's variance: the Akaike information criterion of two stretches of noise (Maeda 1985; common for arrival
times in seismology), which needs no threshold and so moves little with loudness. 3. Its kind follows from the bands
that rose.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import butter, sosfilt

from pulsefind.audio import load
from pulsefind.records import Audio, FloatArray, IntArray
from pulsefind.take_midi import is_midi, read_midi_take
from pulsefind.take_records import TakeHits

BAND_HZ = ((30.0, 100.0), (150.0, 500.0), (600.0, 3000.0), (5500.0, 15000.0))
"""Bass drum; bodies of snare and toms; the crack of a snare; cymbals and snare wires. Common practice, no source."""

LEAST_RISE_DB = (9.0, 8.0, 4.5, 2.7)
"""A stroke lifts its band by this much within a few ms. Low bands ring and beat, so they must rise further."""

FLOOR_DB = -42.0
"""Rises are seen against a floor this far below the band's loud strokes: what lies under it counts as silence."""

REST_TIMES = (8.0, 6.0, 1.5, 0.5)
"""Nor below this many times what the band holds at rest: the power of a narrow band of noise leaps about. A wide one
leaps less, and cymbals ring at rest: a ride's strokes rise little over its wash.
"""

SAME_STROKE_S = 0.02
_LOW, _BODY, _MID, _HIGH = range(4)
_BEFORE_MS, _GAP_MS, _AFTER_MS = 14, 3, 10
_PICK_BEFORE_S, _PICK_AFTER_S = 0.008, 0.005
_STEEP_REACH_MS, _SHARP_REACH_MS, _LATE_MS, _CLEAR_DB = 20, 8, 10, 6.0
_FEWEST_SAMPLES = 12
_NARROW_HZ = 9000
_LOOK_AHEAD_MS = (25, 12, 5, 5)
_FAINTEST_DB = -38.0
_ECHO_MS, _ECHO_DB = 70, 18.0


@dataclass(frozen=True, slots=True)
class _Bands:
    """Power of each band in 1 ms steps, (n_ms, 4), and how far each step stands over what rang before, in dB."""

    power: FloatArray
    rise_db: FloatArray
    after: FloatArray
    before: FloatArray


def read_take(path: Path) -> tuple[TakeHits, Audio | None]:
    """Read a take: a Standard MIDI File (no audio then), or a recording.

    Raises
    ------
    AudioError, TakeError
        if it can't be read, or a MIDI file holds no notes.
    """
    if is_midi(path):
        return read_midi_take(path), None
    audio = load(path)
    return find_strokes(audio), audio


def find_strokes(audio: Audio) -> TakeHits:
    """Find the strokes of a recorded take. Silence gives none."""
    notes: tuple[str, ...] = ()
    if audio.source_rate_hz < 2 * _NARROW_HZ:
        notes = (
            f"recorded at {audio.source_rate_hz / 1000:g} kHz: cymbals lie above what it holds, so kinds are "
            "less certain",
        )
    if len(audio.samples) < audio.rate_hz // 10 or not np.any(audio.samples):
        return _nothing(audio, notes)
    bands = _follow_bands(audio)
    frame = _candidates(bands)
    if not len(frame):
        return _nothing(audio, notes)
    gained_db = _gained_db(bands, frame)
    kept = _not_masked(frame, gained_db)
    frame, gained_db = frame[kept], gained_db[kept]
    rows = _name_kinds(gained_db, _pick_times(audio, frame, _reach_ms(bands, frame)))
    if not rows:
        return _nothing(audio, notes)
    time, kind, level = zip(*sorted(rows), strict=True)
    return TakeHits(np.array(time), tuple(kind), np.array(level), "dB", audio.duration_s, "audio", notes)


def _nothing(audio: Audio, notes: tuple[str, ...]) -> TakeHits:
    return TakeHits(np.zeros(0), (), np.zeros(0), "dB", audio.duration_s, "audio", notes)


def _follow_bands(audio: Audio) -> _Bands:
    step = audio.rate_hz // 1000
    n = len(audio.samples) // step
    power = np.empty((n, len(BAND_HZ)))
    for k, edges in enumerate(BAND_HZ):
        sos = butter(2, edges, "bandpass", fs=audio.rate_hz, output="sos")
        # Causal: a filter that looks ahead would let strokes ring before they happen.
        part = sosfilt(sos, audio.samples)[: n * step]
        power[:, k] = np.square(part).reshape(n, step).mean(axis=1)
    smooth = uniform_filter1d(power, 3, axis=0, mode="nearest")
    after = _shift(maximum_filter1d(smooth, _AFTER_MS, axis=0, mode="nearest"), -(_AFTER_MS // 2))
    before = _shift(uniform_filter1d(power, _BEFORE_MS, axis=0, mode="nearest"), _BEFORE_MS // 2 + _GAP_MS)
    loud = np.percentile(after, 99.5, axis=0)
    rest = np.percentile(power, 30, axis=0) * np.array(REST_TIMES)
    floor = np.maximum(loud * 10 ** (FLOOR_DB / 10), rest) + 1e-12
    rise_db = 10 * np.log10((after + floor) / (before + floor))
    return _Bands(power, rise_db, after, before)


def _shift(values: FloatArray, by: int) -> FloatArray:
    """Rows moved later by `by` steps (earlier when negative); the ends repeat."""
    index = np.clip(np.arange(len(values)) - by, 0, len(values) - 1)
    return values[index]


def _candidates(bands: _Bands) -> IntArray:
    """Frames (1 ms) at which a stroke is likely."""
    over = bands.rise_db / np.array(LEAST_RISE_DB)
    best = over.max(axis=1)
    peak = (best == maximum_filter1d(best, 2 * 9 + 1)) & (best > 1.0)
    frame = np.flatnonzero(peak)
    kept: list[int] = []
    for f in frame:
        if kept and f - kept[-1] < 1000 * SAME_STROKE_S:
            if best[f] > best[kept[-1]]:
                kept[-1] = int(f)
        else:
            kept.append(int(f))
    return np.array(kept, dtype=np.int64)


def _reach_ms(bands: _Bands, frame: IntArray) -> IntArray:
    """(n,) how far before its frame a stroke may begin: the low bands' filters are late, the high ones' hardly."""
    near = maximum_filter1d(bands.rise_db, 7, axis=0)[frame]
    sharp = (near > np.array(LEAST_RISE_DB))[:, _MID:].any(axis=1)
    reach: IntArray = np.where(sharp, _SHARP_REACH_MS, _STEEP_REACH_MS)
    return reach


def _pick_times(audio: Audio, frame: IntArray, reach_ms: IntArray) -> FloatArray:
    """The change point of the signal near each candidate, at most reach_ms (n,) before it, in seconds."""
    plain = audio.samples.astype(np.float64)
    # The first difference lifts the attack's high part over what rings below it.
    bright = np.diff(plain, prepend=0.0)
    energy = [np.r_[0.0, np.cumsum(np.square(signal))] for signal in (bright, plain)]
    before, after = round(_PICK_BEFORE_S * audio.rate_hz), round(_PICK_AFTER_S * audio.rate_hz)
    time_s = np.empty(len(frame))
    for i, f in enumerate(frame):
        centre, clear_db = _steepest(energy[0], int(f), int(reach_ms[i]), audio.rate_hz)
        signal = bright
        if clear_db < _CLEAR_DB:
            centre, _ = _steepest(energy[1], int(f), int(reach_ms[i]), audio.rate_hz)
            signal = plain
        first = max(0, centre - before)
        time_s[i] = (first + change_point(signal[first : centre + after])) / audio.rate_hz
    return time_s


def _steepest(energy: FloatArray, frame: int, reach_ms: int, rate_hz: int) -> tuple[int, float]:
    """Sample near a frame (1 ms) at which the energy after stands highest over the energy before, and by how many
    dB.
    """
    step = rate_hz // 1000
    reach, ahead, behind = reach_ms * step, 4 * step, 6 * step
    first = max(behind, frame * step - reach)
    last = min(len(energy) - 1 - ahead, frame * step + _LATE_MS * step)
    if last <= first:
        return frame * step, 0.0
    at = np.arange(first, last, step // 4)
    later = (energy[at + ahead] - energy[at]) / ahead
    earlier = (energy[at] - energy[at - behind]) / behind
    floor = 1e-6 * float(later.max()) + 1e-15
    ratio = np.log10((later + floor) / (earlier + floor))
    # A stroke may be followed by another; the loudness of what follows decides between rises.
    best = int(np.argmax(ratio * np.sqrt(later)))
    return int(at[best]), 10 * float(ratio[best])


def change_point(signal: FloatArray) -> int:
    """Where a stretch of signal (n,) changes its variance: the split with the least AIC (Maeda 1985)."""
    n = len(signal)
    if n < 2 * _FEWEST_SAMPLES + 1:
        return 0
    total = np.cumsum(np.square(signal))
    k = np.arange(_FEWEST_SAMPLES, n - _FEWEST_SAMPLES)
    tiny = 1e-12 * float(total[-1]) / n + 1e-30
    left = total[k - 1] / k + tiny
    right = (total[-1] - total[k - 1]) / (n - k) + tiny
    return int(k[np.argmin(k * np.log(left) + (n - k) * np.log(right))])


def _gained_db(bands: _Bands, frame: IntArray) -> FloatArray:
    """(n, 4) power that each stroke added to each band, in dB; low bands take longer to show it."""
    last = len(bands.after) - 1
    before = bands.before[np.clip(frame - 2, 0, last)]
    columns = [
        np.max([bands.after[np.clip(frame + k, 0, last), band] for k in range(ahead)], axis=0)
        for band, ahead in enumerate(_LOOK_AHEAD_MS)
    ]
    gained: FloatArray = 10 * np.log10(np.maximum(np.stack(columns, axis=1) - before, 1e-15))
    return gained


def _not_masked(frame: IntArray, gained_db: FloatArray) -> NDArray[np.bool_]:
    """(n,) is it more than an echo or an unsteady decay of the stroke before it, and more than nothing."""
    strength = (gained_db - np.percentile(gained_db, 90, axis=0)).max(axis=1)
    kept = strength > _FAINTEST_DB
    last = -1
    for i in range(len(frame)):
        if not kept[i]:
            continue
        if last >= 0 and frame[i] - frame[last] < _ECHO_MS and strength[i] < strength[last] - _ECHO_DB:
            kept[i] = False
            continue
        last = i
    result: NDArray[np.bool_] = kept
    return result


def _name_kinds(gained_db: FloatArray, time_s: FloatArray) -> list[tuple[float, str, float]]:
    """(time_s, kind, level_db) rows: one a stroke, two where a kick and another drum meet."""
    usual = np.percentile(gained_db, 90, axis=0) if len(gained_db) else np.zeros(4)
    rows = []
    for row, at_s in zip(gained_db, time_s, strict=True):
        for kind in _kinds(row, usual, float(usual.max())):
            band = {"kick": _LOW, "snare": _MID, "cymbal": _HIGH}[kind]
            rows.append((float(at_s), kind, float(row[band] - usual[band])))
    return rows


def _kinds(row: FloatArray, usual: FloatArray, loudest: float) -> tuple[str, ...]:
    """What a stroke may have been, from what it added to each band (dB)."""
    below = row - usual
    kick = below[_LOW] > -14 and row[_LOW] > row[_BODY] and row[_LOW] > loudest - 28
    # A snare's wires fill the middle; of a cymbal little reaches down there, of a kick only the beater's click.
    middle = row[_MID] > row[_HIGH] - 9 and row[_MID] > loudest - 45
    if middle and not (kick and (below[_MID] < -9 or row[_MID] < row[_LOW] - 13)):
        return ("kick", "snare") if kick else ("snare",)
    if kick:
        # A beater's click falls off towards the top, a cymbal doesn't.
        return ("kick", "cymbal") if below[_HIGH] > -20 and row[_HIGH] > row[_MID] - 3 else ("kick",)
    return ("cymbal",) if row[_HIGH] >= row[_MID] else ("snare",)
