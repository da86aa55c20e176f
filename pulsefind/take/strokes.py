"""The strokes of a recorded take: when, to about a millisecond, and of what kind.

A take is mostly drums, recorded close by, so it isn't read the way a track is.

1. Eight bands are followed in 1 ms steps; a stroke is where together they rise above what was ringing.
2. Its time is the change point of the signal's variance, by the Akaike information criterion for two stretches of
   noise (Maeda 1985; common for arrival times in seismology). That needs no threshold, so loudness hardly moves it.
3. Its kind follows from what it added to each band.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import butter, sosfilt

from pulsefind.core.mapped import let_go
from pulsefind.core.nearest import nearest
from pulsefind.core.records import Audio, FloatArray, IntArray
from pulsefind.core.strongest import strongest
from pulsefind.core.words import ENDS_EARLY, TAKE_ENDS_EARLY
from pulsefind.listen.audio import load
from pulsefind.listen.decoding import check_readable
from pulsefind.take.doubt import by_rises
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
"""Ringing sounds swell by up to the first on their own; a rise beyond the second tells no more than one as
far. Judged.
"""

RISE_WEIGHTS = (0.15, 0.13, 0.0, 0.3, 0.62, 0.57, 1.55, 1.32)
"""Weight per dB of each band's rise beyond LEAST_RISE_DB. Few strokes lift one band far; most lift several a little.
Fitted by logistic regression to strokes of known times (`python -m eval take-fit`; how well: eval/take/NOTES.md).
"""

LEAST_SCORE = 2.98
"""The weighted sum of rises that makes a stroke, fitted with the weights: 0.75 % of what it finds wasn't played."""

FAINT_SCORE = 0.7
"""From this score on it may be a stroke, and is taken for one only where the player keeps striking
(faint.py). Judged.
"""

FLOOR_DB = -40.0
"""Rises are measured from a floor this far below the band's loud strokes; anything quieter counts as silence.
Judged: soft strokes lie 20 to 30 dB below loud ones.
"""

REST_TIMES = (8.0, 6.0, 4.0, 3.0, 2.0, 2.0, 2.0, 2.0)
"""The floor is never below this many times the band's power at rest: the narrower a band of noise, the more its power
jumps about (judged).
"""

SAME_STROKE_S = 0.025
"""Drums struck this close together are one stroke: no hand strikes again so soon (judged)."""

LEAK_DB, LEAK_WITHIN_S = -24.0, 0.015
"""Where the track is heard in a take, hits this far below the loud ones of their kind and this close to a stroke of the
track are taken to be the track's own (ghost notes lie some 20 dB below accents; common practice, no source).
"""

_RIPPLES_BELOW_HZ, _FIRST_SHARP = 500.0, 3
"""Below this frequency a period is longer than 2 ms, so that power swings from one 1 ms step to the next (arithmetic);
from this band on the filters respond within milliseconds (judged).
"""

_BEFORE_MS, _GAP_MS = 12, 3  # judged: the window before a step, and how far ahead of the step it ends
_REST_PERCENTILE = 10  # judged: what rings on between strokes
_AFTER_MS = (20, 15, 10, 8, 6, 6, 6, 6)
"""The window after a step, as long as each band's filter takes to respond (judged)."""

_APART_MS, _NEAR_MS, _SMOOTH_MS = 19, 9, 3
"""How far apart candidates lie at least, how far from one a band may respond, and how its score is smoothed
(judged).
"""

_PICK_BEFORE_S, _PICK_AFTER_S = 0.008, 0.005  # judged: searched around the steepest rise
_STEEP_REACH_MS, _SHARP_REACH_MS, _LATE_MS = 20, 8, 10
"""How far before its candidate a stroke may begin, by the delay of the low and of the high filters, and how far after
it (judged).
"""
_CLEAR_DB = 6.0  # judged: a rise of the differenced signal that settles where the stroke begins
_FEWEST_SAMPLES = 12  # judged: a quarter of a millisecond, from which a variance can be estimated

_REACH_NEAR_MS = 7  # judged: a band's rise within this belongs to the candidate
_PIECE_MS, _MARGIN_MS = 60_000, 200  # judged: a piece worked on at a time, and a margin wider than any reach here
_NARROW_HZ = 9000
"""A recording with nothing above this has lost the band that is the cymbals' own (common practice, no source)."""

_LOOK_AHEAD_MS = (25, 15, 12, 5, 5, 5, 5, 5)  # judged: how soon a stroke shows in each band
_LEVEL_BANDS = {"kick": slice(0, 1), "snare": slice(3, 5), "cymbal": slice(6, 8)}
"""The bands whose power is a stroke's level (judged)."""

_SHARP_DB = 4.0  # judged: a rise from which a band with a fast filter times the stroke
_LEAST_SUM_DB = 5.0  # judged: the least weighted rise of a candidate
_EVEN_WEIGHTS = (0.5, 0.5, 0.6, 0.8, 1.0, 1.0, 1.0, 1.0)
"""Candidates are found with low weights for the low bands, which ripple, and a threshold that leaves out nothing of
use (judged: 99.2 % of the strokes are among them, eval/take/NOTES.md).
"""


@dataclass(frozen=True, slots=True)
class _Bands:
    """(n_ms, 8) each: power of every band in 1 ms steps, and how far it rises there, in dB.

    The power before and after each step is worked out again wherever it is needed: keeping both as well would fill a
    gigabyte for an hour of sound.
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
    check_readable(path)  # On a pipe, even looking at the first bytes would block.
    if is_midi(path):
        return read_midi_take(path), None
    audio = load(path)
    hits = strokes_heard(audio)
    # Of two recordings, the notes of a review must tell which one is meant.
    missing = tuple(warning.replace(ENDS_EARLY, TAKE_ENDS_EARLY) for warning in audio.warnings)
    return replace(hits, notes=missing + hits.notes), audio


def strokes_heard(audio: Audio) -> TakeHits:
    """The strokes of a recorded take by everything that hears them. Silence gives none."""
    return with_kit(find_strokes(audio), audio)


def find_strokes(audio: Audio) -> TakeHits:
    """The strokes of a recorded take by their rises alone. Silence gives none."""
    notes: tuple[str, ...] = ()
    if audio.source_rate_hz < 2 * _NARROW_HZ:
        rate = f"{audio.source_rate_hz / 1000:g} kHz"
        notes = (f"recorded at {rate}, which cuts off the cymbals, so kinds are less certain",)
    if len(audio.samples) < audio.rate_hz // 10 or not np.any(audio.samples):
        return _nothing(audio, notes)
    bands = _follow_bands(audio)
    frame, rise_db = _candidates(bands)
    score = np.maximum(rise_db - LEAST_RISE_DB, 0.0) @ np.array(RISE_WEIGHTS)
    heard = score >= FAINT_SCORE
    frame, score = frame[heard], score[heard]
    if not np.any(score >= LEAST_SCORE):
        return _nothing(audio, notes)
    rows = _name_kinds(_gained_db(bands, frame), _pick_times(audio, frame, _reach_ms(bands, frame)), score)
    faint = _as_hits([row for row in rows if row[3] < LEAST_SCORE], audio)
    return replace(_as_hits([row for row in rows if row[3] >= LEAST_SCORE], audio), notes=notes, faint=faint)


def candidates_of(audio: Audio) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Every moment that may be a stroke: its time in seconds (n,) to about a millisecond, and in dB, (n, 8) each, how
    far each band rises there and what it gains. The recording must not be empty.
    """
    bands = _follow_bands(audio)
    frame, rise_db = _candidates(bands)
    return frame * (audio.rate_hz // 1000) / audio.rate_hz, rise_db, _gained_db(bands, frame)


def without_leak(hits: TakeHits, time_s: FloatArray, track: Audio) -> TakeHits:
    """The hits without those that are the track itself, heard in the take: faint ones that coincide with its strokes.

    time_s: (n,) the hits in track time. A player's own ghost notes are louder than what is called faint here.
    """
    of_track = np.unique(find_strokes(track).time_s)
    if not len(of_track) or not len(hits.time_s):
        return hits
    away_s = np.abs(of_track[nearest(of_track, time_s)] - time_s)
    kept = np.flatnonzero((hits.level > LEAK_DB) | (away_s > LEAK_WITHIN_S))
    # Beneath the track's own sound nobody can tell whose a faint stroke is.
    return replace(
        hits,
        time_s=hits.time_s[kept],
        level=hits.level[kept],
        kind=tuple(hits.kind[i] for i in kept.tolist()),
        faint=None,
        log_odds=None,
    )


def _nothing(audio: Audio, notes: tuple[str, ...]) -> TakeHits:
    return replace(_as_hits([], audio), notes=notes)


def _as_hits(rows: list[tuple[float, str, float, float]], audio: Audio) -> TakeHits:
    """Hits of (time_s, kind, level_db, score) rows."""
    rows = sorted(rows)
    time_s, level = np.array([row[0] for row in rows]), np.array([row[2] for row in rows])
    kind, log_odds = tuple(row[1] for row in rows), np.array([by_rises(row[3]) for row in rows])
    return TakeHits(time_s, kind, level, "dB", audio.duration_s, "audio", log_odds=log_odds)


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
    """(n_ms,) the highest power of a band in the milliseconds after each step."""
    smooth = uniform_filter1d(power, 4, mode="nearest")
    return _shift(maximum_filter1d(smooth, _AFTER_MS[band], mode="nearest"), -(_AFTER_MS[band] // 2))


def _before(power: FloatArray) -> FloatArray:
    """(n_ms,) the mean power of a band before each step."""
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
    """The sample near a frame (1 ms) where the energy after it exceeds the energy before it most, and by how
    many dB.
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
    # Another stroke may follow soon; the loudness of what follows decides between the two rises.
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


def _name_kinds(gained_db: FloatArray, time_s: FloatArray, score: FloatArray) -> list[tuple[float, str, float, float]]:
    """(time_s, kind, level_db, score) rows: one a stroke, more where a kick, a snare or a cymbal meet."""
    kinds = kinds_of(gained_db)
    rows = []
    for kind, bands in _LEVEL_BANDS.items():
        stroke = [i for i, sounding in enumerate(kinds) if kind in sounding]
        if not stroke:
            continue
        level_db = 10 * np.log10(np.sum(10 ** (gained_db[stroke, bands] / 10), axis=1))
        sure = score[stroke] >= LEAST_SCORE
        of_sure = level_db[sure] if sure.any() else level_db
        level_db -= float(np.percentile(of_sure, 90))
        rows += [
            (float(time_s[i]), kind, float(level), float(score[i])) for i, level in zip(stroke, level_db, strict=True)
        ]
    return rows
