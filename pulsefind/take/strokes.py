"""The strokes of a recorded take: when, to about a millisecond, and of what kind.

A take is mostly drums, and close by, so it is read otherwise than a track. 1. Eight bands are followed in 1 ms
steps; a stroke is where they together rise over what rang before. 2. Its time is the change point of the
signal's variance: the Akaike information criterion of two stretches of noise (Maeda 1985; common for arrival
times in seismology), which needs no threshold and so moves little with loudness. 3. Its kind follows from what
it added to each band.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import butter, sosfilt

from pulsefind.core.mapped import let_go
from pulsefind.core.nearest import nearest
from pulsefind.core.records import Audio, FloatArray, IntArray
from pulsefind.core.strongest import strongest
from pulsefind.listen.audio import load
from pulsefind.listen.decoding import check_readable
from pulsefind.take.kinds import kinds_of
from pulsefind.take.kit import with_kit
from pulsefind.take.midi import is_midi, read_midi_take
from pulsefind.take.records import TakeHits

BAND_HZ = (
    (30.0, 100.0),
    (100.0, 220.0),
    (220.0, 500.0),
    (500.0, 1200.0),
    (1200.0, 3000.0),
    (3000.0, 6000.0),
    (6000.0, 10000.0),
    (10000.0, 16000.0),
)
"""From the bass drum's tone over bodies and beaters to wires, sticks and cymbals (common practice, no source)."""

LEAST_RISE_DB, MOST_RISE_DB = 2.0, 20.0
"""A sound that rings on rises by up to the first now and then; a rise beyond the second says no more. Judged."""

RISE_WEIGHTS = (0.15, 0.13, 0.0, 0.3, 0.62, 0.57, 1.55, 1.32)
LEAST_SCORE = 2.98
"""A stroke's rises beyond the least, so weighed and summed, reach this score. Few strokes lift one band far; most lift
several a little. Fitted by logistic regression to strokes of known times (`python -m eval take-fit`; how well:
eval/take/NOTES.md).
"""

FAINT_SCORE = 0.7
"""From this score on it may be a stroke: taken for one only where the player strikes again and again (take_faint)."""

FLOOR_DB = -40.0
"""Rises are seen against a floor this far below the band's loud strokes: what lies under it counts as silence.
Judged: soft strokes lie 20 to 30 dB below loud ones.
"""

REST_TIMES = (8.0, 6.0, 4.0, 3.0, 2.0, 2.0, 2.0, 2.0)
"""Nor below this many times what the band holds at rest: the power of a narrow band of noise leaps about
(judged; the narrower the band the more).
"""

SAME_STROKE_S = 0.025
"""Drums struck this close together are one stroke: no hand strikes again so soon (judged)."""

LEAK_DB, LEAK_WITHIN_S = -24.0, 0.015
"""Where the track is heard in a take, hits this far below the loud ones of their kind, this near a stroke of the track,
are taken to be its own (ghost notes lie some 20 dB below accents; common practice, no source).
"""

_RIPPLES_BELOW_HZ, _FIRST_SHARP = 500.0, 3
"""Below, a period is no shorter than 2 ms, so that power swings from step to step; from this band on filters answer
within milliseconds.
"""

_BEFORE_MS, _GAP_MS, _REST_PERCENTILE = 12, 3, 10
_AFTER_MS = (20, 15, 10, 8, 6, 6, 6, 6)
"""Windows before and after a step, the latter as long as a band's filter takes to answer; the tenth percentile is what
rings on between strokes (judged).
"""

_APART_MS, _NEAR_MS, _SMOOTH_MS = 19, 9, 3
"""Candidates are this far apart at least, and bands may answer this far beside one (judged)."""

_PICK_BEFORE_S, _PICK_AFTER_S = 0.008, 0.005
_STEEP_REACH_MS, _SHARP_REACH_MS, _LATE_MS, _CLEAR_DB = 20, 8, 10, 6.0
_FEWEST_SAMPLES = 12
"""Where the change point is looked for: reaches by the delay of low and high filters, 6 dB for a rise that is clear, a
quarter of a millisecond of signal on either side for its variance (judged).
"""

_REACH_NEAR_MS = 7
_PIECE_MS, _MARGIN_MS = 60_000, 200
"""What is worked on at a time, and how much around it: more than any reach here."""
_NARROW_HZ = 9000
"""A recording that holds nothing above has no cymbals' own band (common practice, no source)."""

_LOOK_AHEAD_MS = (25, 15, 12, 5, 5, 5, 5, 5)
_LEVEL_BANDS = {"kick": slice(0, 1), "snare": slice(3, 5), "cymbal": slice(6, 8)}
"""Within so many milliseconds a stroke shows in a band, and these bands tell its level (judged)."""

_SHARP_DB, _LEAST_SUM_DB = 4.0, 5.0
_EVEN_WEIGHTS = (0.5, 0.5, 0.6, 0.8, 1.0, 1.0, 1.0, 1.0)
"""Candidates are found with low weights for low bands, which ripple, and a threshold that leaves none out that is worth
it (judged: 99.2 % of the strokes are among them, eval/take/NOTES.md).
"""


@dataclass(frozen=True, slots=True)
class _Bands:
    """(n_ms, 8) each: power of every band in 1 ms steps, and how far it rises there, in dB.

    What a band holds after and before a step follows from its power, and is worked out again where it is needed: an
    hour of all three would fill a gigabyte.
    """

    power: FloatArray
    rise_db: FloatArray


def read_take(path: Path) -> tuple[TakeHits, Audio | None]:
    """Read a take: a Standard MIDI File (no audio then), or a recording.

    Raises
    ------
    AudioError, TakeError
        if it can't be read, or a MIDI file holds no notes.
    """
    check_readable(path)  # A pipe would hold up even a look at its first bytes.
    if is_midi(path):
        return read_midi_take(path), None
    audio = load(path)
    return with_kit(find_strokes(audio), audio), audio


def find_strokes(audio: Audio) -> TakeHits:
    """Find the strokes of a recorded take. Silence gives none."""
    notes: tuple[str, ...] = ()
    if audio.source_rate_hz < 2 * _NARROW_HZ:
        rate = f"{audio.source_rate_hz / 1000:g} kHz"
        notes = (f"recorded at {rate}: cymbals lie above what it holds, so kinds are less certain",)
    if len(audio.samples) < audio.rate_hz // 10 or not np.any(audio.samples):
        return _nothing(audio, notes)
    bands = _follow_bands(audio)
    frame, rise_db = _candidates(bands)
    score = np.maximum(rise_db - LEAST_RISE_DB, 0.0) @ np.array(RISE_WEIGHTS)
    heard = score >= FAINT_SCORE
    frame, sure = frame[heard], score[heard] >= LEAST_SCORE
    if not sure.any():
        return _nothing(audio, notes)
    rows = _name_kinds(_gained_db(bands, frame), _pick_times(audio, frame, _reach_ms(bands, frame)), sure)
    faint = _as_hits([row[:3] for row in rows if not row[3]], audio)
    return replace(_as_hits([row[:3] for row in rows if row[3]], audio), notes=notes, faint=faint)


def candidates_of(audio: Audio) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Every moment that may be a stroke: its time in seconds (n,) to a millisecond or so, how far each band rises and
    what it gains there, (n, 8) each in dB. The recording must not be empty.
    """
    bands = _follow_bands(audio)
    frame, rise_db = _candidates(bands)
    return frame * (audio.rate_hz // 1000) / audio.rate_hz, rise_db, _gained_db(bands, frame)


def without_leak(hits: TakeHits, time_s: FloatArray, track: Audio) -> TakeHits:
    """The hits less those that are the track heard in the take: faint ones, together with a stroke of the track.

    time_s: (n,) the hits in track time. A player's own ghost notes are louder than what is called faint here.
    """
    of_track = np.unique(find_strokes(track).time_s)
    if not len(of_track) or not len(hits.time_s):
        return hits
    away_s = np.abs(of_track[nearest(of_track, time_s)] - time_s)
    kept = np.flatnonzero((hits.level > LEAK_DB) | (away_s > LEAK_WITHIN_S))
    # What is faint beside the track's own sound is nobody's to tell.
    return replace(
        hits,
        time_s=hits.time_s[kept],
        level=hits.level[kept],
        kind=tuple(hits.kind[i] for i in kept.tolist()),
        faint=None,
    )


def _nothing(audio: Audio, notes: tuple[str, ...]) -> TakeHits:
    return replace(_as_hits([], audio), notes=notes)


def _as_hits(rows: list[tuple[float, str, float]], audio: Audio) -> TakeHits:
    rows = sorted(rows)
    time_s, level = np.array([row[0] for row in rows]), np.array([row[2] for row in rows])
    return TakeHits(time_s, tuple(row[1] for row in rows), level, "dB", audio.duration_s, "audio")


def _follow_bands(audio: Audio) -> _Bands:
    """Follow the eight bands through a recording, which must not be empty."""
    n = len(audio.samples) // (audio.rate_hz // 1000)
    power, rise_db = np.empty((n, len(BAND_HZ))), np.empty((n, len(BAND_HZ)))
    for k, edges in enumerate(BAND_HZ):
        if edges[0] >= audio.source_rate_hz / 2 and k:
            # A band that the recording can't hold is taken to follow the highest one that it can.
            power[:, k], rise_db[:, k] = power[:, k - 1], rise_db[:, k - 1]
            continue
        power[:, k] = _power(audio, edges)
        after, before = _after(power[:, k], k), _before(power[:, k])
        loud = float(np.percentile(after, 99.5))
        rest = float(np.percentile(power[:, k], _REST_PERCENTILE)) * REST_TIMES[k]
        floor = max(loud * 10 ** (FLOOR_DB / 10), rest) + 1e-12
        rise_db[:, k] = 10 * np.log10((after + floor) / (before + floor))
    return _Bands(power, rise_db)


def _after(power: FloatArray, band: int) -> FloatArray:
    """(n_ms,) the most that a band holds in the milliseconds after each step."""
    smooth = uniform_filter1d(power, 4, mode="nearest")
    return _shift(maximum_filter1d(smooth, _AFTER_MS[band], mode="nearest"), -(_AFTER_MS[band] // 2))


def _before(power: FloatArray) -> FloatArray:
    """(n_ms,) what a band held in the mean before each step."""
    return _shift(uniform_filter1d(power, _BEFORE_MS, mode="nearest"), _BEFORE_MS // 2 + _GAP_MS)


def _power(audio: Audio, edges_hz: tuple[float, float]) -> FloatArray:
    """(n_ms,) mean power of one band in 1 ms steps, filtered piece by piece.

    Filters are causal: one that looks ahead would let strokes ring before they happen.
    """
    low_hz, high_hz = edges_hz
    step = audio.rate_hz // 1000
    result = np.empty(len(audio.samples) // step)
    ripples = low_hz < _RIPPLES_BELOW_HZ
    if ripples:
        sos = butter(2, (high_hz - low_hz) / 2, fs=audio.rate_hz, output="sos")
    else:
        sos = butter(2, edges_hz, "bandpass", fs=audio.rate_hz, output="sos")
    state = np.zeros((len(sos), 2), np.complex128 if ripples else np.float64)
    for first in range(0, len(result), _PIECE_MS):
        last = min(len(result), first + _PIECE_MS)
        part = audio.samples[first * step : last * step]
        if ripples:
            # A low tone's power swings within its period, which would look like strokes; the magnitude of the band
            # moved to 0 Hz doesn't.
            turn = -1j * np.pi * (low_hz + high_hz) / audio.rate_hz
            part = part * np.exp(turn * np.arange(first * step, last * step))
        part, state = sosfilt(sos, part, zi=state)
        power = 2 * np.square(np.abs(part)) if ripples else np.square(part)
        result[first:last] = power.reshape(-1, step).mean(axis=1)
        let_go(audio.samples)
    return result


def _shift(values: FloatArray, by: int) -> FloatArray:
    """Values moved later by `by` steps (earlier when negative); the ends repeat."""
    index = np.clip(np.arange(len(values)) - by, 0, len(values) - 1)
    return values[index]


def _candidates(bands: _Bands) -> tuple[IntArray, FloatArray]:
    """Frames (n,) (1 ms) at which the bands together rise most, and how far each rises near them, (n, 8) in dB."""
    score = np.zeros(len(bands.rise_db))
    for band, weight in enumerate(_EVEN_WEIGHTS):
        score += weight * np.maximum(bands.rise_db[:, band], 0.0)
    score = uniform_filter1d(score, _SMOOTH_MS)
    peak = np.flatnonzero((score == maximum_filter1d(score, _APART_MS)) & (score > _LEAST_SUM_DB))
    frame = peak[strongest(peak, score[peak], 1000 * SAME_STROKE_S)]
    return frame, np.clip(_highest_near(bands.rise_db, frame, _NEAR_MS), 0.0, MOST_RISE_DB)


def _highest_near(rise_db: FloatArray, frame: IntArray, around_ms: int) -> FloatArray:
    """(n, 8) the highest rise of each band within so many milliseconds around each frame (n,)."""
    columns = [maximum_filter1d(rise_db[:, band], around_ms)[frame] for band in range(rise_db.shape[1])]
    highest: FloatArray = np.stack(columns, axis=1)
    return highest


def _reach_ms(bands: _Bands, frame: IntArray) -> IntArray:
    """(n,) how far before its frame a stroke may begin: the low bands' filters are late, the high ones' hardly."""
    near = _highest_near(bands.rise_db, frame, _REACH_NEAR_MS)
    sharp = (near[:, _FIRST_SHARP:] > _SHARP_DB).any(axis=1)
    reach: IntArray = np.where(sharp, _SHARP_REACH_MS, _STEEP_REACH_MS)
    return reach


def _pick_times(audio: Audio, frame: IntArray, reach_ms: IntArray) -> FloatArray:
    """The change point of the signal near each candidate, at most reach_ms (n,) before it, in seconds."""
    step = audio.rate_hz // 1000
    time_s = np.empty(len(frame))
    for first_ms in range(0, int(frame[-1]) + 1, _PIECE_MS):
        here = np.flatnonzero((frame >= first_ms) & (frame < first_ms + _PIECE_MS))
        lead_ms = max(0, first_ms - _MARGIN_MS)
        plain = audio.samples[lead_ms * step : (first_ms + _PIECE_MS + _MARGIN_MS) * step].astype(np.float64)
        # The first difference lifts the attack's high part over what rings below it.
        bright = np.diff(plain, prepend=float(audio.samples[lead_ms * step - 1]) if lead_ms else 0.0)
        picked = _pick_samples(plain, bright, frame[here] - lead_ms, reach_ms[here], audio.rate_hz)
        time_s[here] = (picked + lead_ms * step) / audio.rate_hz
        let_go(audio.samples)
    return time_s


def _pick_samples(plain: FloatArray, bright: FloatArray, frame: IntArray, reach_ms: IntArray, rate_hz: int) -> IntArray:
    """(n,) samples of the change points near candidates (frame, in ms) of one piece, plain and differenced."""
    energy = [np.r_[0.0, np.cumsum(np.square(signal))] for signal in (bright, plain)]
    before, after = round(_PICK_BEFORE_S * rate_hz), round(_PICK_AFTER_S * rate_hz)
    picked = np.empty(len(frame), np.int64)
    for i, f in enumerate(frame):
        centre, clear_db = _steepest(energy[0], int(f), int(reach_ms[i]), rate_hz)
        signal = bright
        if clear_db < _CLEAR_DB:
            centre, _ = _steepest(energy[1], int(f), int(reach_ms[i]), rate_hz)
            signal = plain
        first = max(0, centre - before)
        picked[i] = first + change_point(signal[first : centre + after])
    return picked


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
    """(n, 8) power that each stroke added to each band, in dB; low bands take longer to show it."""
    last = len(bands.power) - 1
    columns = []
    for band, ahead in enumerate(_LOOK_AHEAD_MS):
        after, before = _after(bands.power[:, band], band), _before(bands.power[:, band])
        most = np.max([after[np.clip(frame + k, 0, last)] for k in range(ahead)], axis=0)
        columns.append(most - before[np.clip(frame - 2, 0, last)])
    gained: FloatArray = 10 * np.log10(np.maximum(np.stack(columns, axis=1), 1e-14))
    return gained


def _name_kinds(
    gained_db: FloatArray, time_s: FloatArray, sure: NDArray[np.bool_]
) -> list[tuple[float, str, float, bool]]:
    """(time_s, kind, level_db, sure) rows: one a stroke, more where a kick, a snare or a cymbal meet."""
    kinds = kinds_of(gained_db)
    rows = []
    for kind, bands in _LEVEL_BANDS.items():
        stroke = [i for i, sounding in enumerate(kinds) if kind in sounding]
        if not stroke:
            continue
        level_db = 10 * np.log10(np.sum(10 ** (gained_db[stroke, bands] / 10), axis=1))
        of_sure = level_db[sure[stroke]] if sure[stroke].any() else level_db
        level_db -= float(np.percentile(of_sure, 90))
        rows += [
            (float(time_s[i]), kind, float(level), bool(sure[i])) for i, level in zip(stroke, level_db, strict=True)
        ]
    return rows
