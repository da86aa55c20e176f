"""From activations to counted beats: which tempo octave, which meter, which beat is the 1.

Beat tracking makes few mistakes about where something happens and many about what it means. So the decoder keeps
several readings of the whole track (the best path, and the best at half, double, two thirds and three halves
of its tempo), counts each in every meter, and compares them as wholes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pulsefind.barpath import METER_PRIOR, METERS, BarPath, best_bars, rotated
from pulsefind.beatpath import BEAT_REGION, BeatPath, beat_region, best_path, intervals
from pulsefind.records import Activations, Alternative, FloatArray, IntArray, Pulse, Settings

BPM_LOW, BPM_HIGH = 55.0, 215.0
"""The tempi looked at first when no hint is given; readings at other octaves may leave this range."""

OCTAVE_BPM_LOW, OCTAVE_BPM_HIGH = 40.0, 290.0

RATIOS = (1.0, 2.0, 0.5, 1.5, 2 / 3)
"""Tempi of the other readings, relative to the best path."""

SILENT = 0.05
"""Before the first and after the last frame with an activation of this much there is no music to count."""

EVIDENCE_SECONDS = 8.0
"""How many seconds' worth of independent evidence a whole track counts for when readings are compared.

Frames of one track repeat each other: if all of them counted, no prior could ever matter and every answer would be
"100 % sure".
"""

PHASE_EVIDENCE_BARS = 6.0
"""The same for the place of the 1: how many bars' worth of independent evidence a track holds."""

_TEMPO_CENTRE_BPM, _TEMPO_WIDTH = 120.0, 0.8
_FAR_BEAT = 0.2
_MIN_BEATS = 4


@dataclass(frozen=True, slots=True)
class _Reading:
    """One reading of the track: its beats, how they are counted, and how well it explains what was heard."""

    path: BeatPath
    bars: BarPath
    bpm: float
    score: float


def decode(activations: Activations, settings: Settings) -> Pulse:
    """Find the beats and count them.

    Hints bind: with bpm_low and bpm_high only tempi within them are considered, with meter every bar has that meter,
    and with one_at_s the beat nearest to that time is a 1 (all beats move with it if none is near).
    Too little to count gives a Pulse without beats.
    """
    values, first_frame = _sounding_part(activations.values)
    rate_hz = activations.frame_rate_hz
    if len(values) < rate_hz:
        return _no_pulse()
    readings = [r for r in _readings(values, rate_hz, settings) if len(r.path.frame) >= _MIN_BEATS]
    if not readings:
        return _no_pulse()
    readings.sort(key=lambda reading: -reading.score)
    best = readings[0]
    time_s = (best.path.frame + first_frame) / rate_hz
    time_s, moved = _with_fixed_one(time_s, settings.one_at_s)
    if settings.one_at_s is not None:
        best = replace(best, bars=rotated(best.bars, int(np.argmin(np.abs(time_s - settings.one_at_s)))))
    shares = _shares(readings)
    unit = settings.meter[1] if settings.meter else _unit(best.bars, best.bpm)
    probability_one, one_alternatives = _phase(values, best, time_s, settings)
    warnings = _disagreements(settings, moved, probability_one)
    meter_share = _meter_share(values, best, settings)
    alternatives = one_alternatives + _octave_alternatives(readings, shares)
    return Pulse(
        time_s=time_s,
        count=best.bars.count,
        beats_per_bar=best.bars.beats_per_bar,
        unit=unit,
        probability_one=probability_one,
        probability_octave=shares[0],
        probability_meter=meter_share,
        alternatives=tuple(sorted(alternatives, key=lambda other: -other.probability)),
        warnings=warnings,
    )


def _no_pulse() -> Pulse:
    empty = np.zeros(0, np.int64)
    return Pulse(np.zeros(0), empty, empty, 4, 0.0, 0.0, 0.0)


def _sounding_part(values: FloatArray) -> tuple[FloatArray, int]:
    """Cut off frames without any activation at both ends; returns the rest and the index of its first frame."""
    sounding = np.flatnonzero((values >= SILENT).any(axis=1))
    if not len(sounding):
        return values[:0], 0
    return values[sounding[0] : sounding[-1] + 1], int(sounding[0])


def _readings(values: FloatArray, rate_hz: float, settings: Settings) -> list[_Reading]:
    activation = np.minimum(values.sum(axis=1), 1.0)
    low, high = settings.bpm_low or BPM_LOW, settings.bpm_high or BPM_HIGH
    hinted = settings.bpm_low is not None or settings.bpm_high is not None
    base = best_path(activation, intervals(rate_hz, low, high))
    if len(base.frame) < 2:
        return []
    bpm = _bpm(base.frame, rate_hz)
    floor, ceiling = (low, high) if hinted else (OCTAVE_BPM_LOW, OCTAVE_BPM_HIGH)
    readings = []
    for ratio in RATIOS:
        if not floor <= bpm * ratio <= ceiling:
            continue
        span = intervals(rate_hz, max(floor, bpm * ratio * 0.8), min(ceiling, bpm * ratio * 1.25))
        path = base if ratio == 1.0 else best_path(activation, span)
        if len(path.frame) < 2:
            continue
        bars = best_bars(downbeat_log_odds(values, path.frame), _meters(settings))
        readings.append(_Reading(path, bars, _bpm(path.frame, rate_hz), 0.0))
    return [_scored(values, rate_hz, reading) for reading in readings]


def _meters(settings: Settings) -> tuple[int, ...]:
    if settings.meter is None:
        return METERS
    beats, unit = settings.meter
    # Twelve eighths are counted as four beats of three.
    return (4,) if (beats, unit) == (12, 8) else (beats,)


def _bpm(frame: IntArray, rate_hz: float) -> float:
    return float(60 * rate_hz / np.median(np.diff(frame)))


def downbeat_log_odds(values: FloatArray, frame: IntArray) -> FloatArray:
    """(n_beats,) log odds of downbeat against other beat, from the highest activations within 2 frames."""
    reach = np.arange(-2, 3)
    near = np.clip(frame[:, None] + reach[None, :], 0, len(values) - 1)
    beat, downbeat = values[near].max(axis=1).T
    odds: FloatArray = np.log(downbeat + 0.005) - np.log(beat + 0.005)
    return odds


def _scored(values: FloatArray, rate_hz: float, reading: _Reading) -> _Reading:
    """Score a reading: evidence per second, scaled, plus how common its tempo and meter are."""
    evidence = _joint_log_likelihood(values, reading.path, reading.bars) * rate_hz / len(values)
    meter = int(np.bincount(reading.bars.beats_per_bar).argmax())
    log_tempo = -0.5 * (np.log(reading.bpm / _TEMPO_CENTRE_BPM) / _TEMPO_WIDTH) ** 2
    log_meter = float(np.log(METER_PRIOR.get(meter, min(METER_PRIOR.values()))))
    return _Reading(reading.path, reading.bars, reading.bpm, EVIDENCE_SECONDS * evidence + log_tempo + log_meter)


def _joint_log_likelihood(values: FloatArray, path: BeatPath, bars: BarPath) -> float:
    """Log likelihood of both activations given counted beats (observation model of the bar pointer)."""
    tiny = 1e-7
    silence = np.log((1 - np.clip(values.sum(axis=1), tiny, 1 - tiny)) / (BEAT_REGION - 1))
    region = beat_region(path.interval)
    low = np.maximum(0, path.frame - region // 2)
    high = np.minimum(len(values), low + region)
    silence_sum = np.r_[0.0, np.cumsum(silence)]
    sound_sum = np.r_[np.zeros((1, 2)), np.cumsum(np.log(np.maximum(values, tiny)), axis=0)]
    sound = sound_sum[high] - sound_sum[low]
    column = (bars.count == 1).astype(int)
    total = silence_sum[-1] - (silence_sum[high] - silence_sum[low]).sum()
    return float(total + sound[np.arange(len(column)), column].sum())


def _shares(readings: list[_Reading]) -> list[float]:
    score = np.array([reading.score for reading in readings])
    weight = np.exp(score - score.max())
    return [float(w) for w in weight / weight.sum()]


def _unit(bars: BarPath, bpm: float) -> int:
    """The note value that is counted: eighths in quick odd and compound meters, else quarters (common practice)."""
    meter = int(np.bincount(bars.beats_per_bar).argmax())
    quick_from = {3: 240.0, 5: 180.0, 6: 110.0, 7: 180.0}
    return 8 if bpm >= quick_from.get(meter, np.inf) else 4


def _with_fixed_one(time_s: FloatArray, one_at_s: float | None) -> tuple[FloatArray, bool]:
    """Move all beats so that one of them meets the hint, if none is near it. Returns times and whether they moved."""
    if one_at_s is None:
        return time_s, False
    k = int(np.argmin(np.abs(time_s - one_at_s)))
    interval = float(np.median(np.diff(time_s)[max(0, k - 4) : k + 4]))
    share = (one_at_s - time_s[k]) / interval
    if abs(share) < _FAR_BEAT:
        return time_s, False
    step = np.diff(time_s, append=2 * time_s[-1] - time_s[-2])
    return time_s + share * step, True


def _phase(
    values: FloatArray, best: _Reading, time_s: FloatArray, settings: Settings
) -> tuple[float, tuple[Alternative, ...]]:
    """How sure the 1 is against every other constant shift of the count, and the next best shift."""
    meter = int(np.bincount(best.bars.beats_per_bar).argmax())
    odds = downbeat_log_odds(values, best.path.frame)
    n_bars = max(1.0, len(odds) / meter)
    score = np.array([odds[(best.bars.count - 1 - shift) % meter == 0].sum() / n_bars for shift in range(meter)])
    weight = np.exp(min(PHASE_EVIDENCE_BARS, n_bars) * (score - score.max()))
    share = weight / weight.sum()
    if settings.one_at_s is not None or meter == 1:
        return float(share[0]), ()
    others = sorted(range(1, meter), key=lambda shift: -share[shift])
    found = []
    for shift in others[:1]:
        ones = time_s[(best.bars.count - 1 - shift) % meter == 0]
        if len(ones) and share[shift] >= 0.01:
            beats = "beat" if shift == 1 else "beats"
            reading = f"the 1 is {shift} {beats} later"
            found.append(Alternative(reading, float(share[shift]), f"--one-at {ones[0]:.2f}"))
    return float(share[0]), tuple(found)


def _meter_share(values: FloatArray, best: _Reading, settings: Settings) -> float:
    """How sure the number of beats in a bar is, on the beats as they are."""
    if settings.meter is not None:
        return 1.0
    odds = downbeat_log_odds(values, best.path.frame)
    chosen = int(np.bincount(best.bars.beats_per_bar).argmax())
    # Beats of one track repeat each other; the same damping as for the octave.
    damping = min(1.0, EVIDENCE_SECONDS * 4 / max(len(odds), 1))
    log = {m: damping * best_bars(odds, (m,)).log_likelihood + np.log(METER_PRIOR[m]) for m in METERS}
    top = max(log.values())
    weight = {m: float(np.exp(value - top)) for m, value in log.items()}
    return weight.get(chosen, 0.0) / sum(weight.values())


def _octave_alternatives(readings: list[_Reading], shares: list[float]) -> tuple[Alternative, ...]:
    names = {
        2.0: "twice as fast",
        0.5: "half as fast",
        1.5: "three beats where two are",
        0.67: "two where three are",
    }
    found = []
    for reading, share in zip(readings[1:], shares[1:], strict=True):
        ratio = reading.bpm / readings[0].bpm
        name = min(names, key=lambda known: abs(np.log(ratio / known)))
        if share >= 0.01:
            low, high = round(reading.bpm * 0.85), round(reading.bpm * 1.18)
            text = f"{names[name]}, about {reading.bpm:.0f} bpm"
            found.append(Alternative(text, share, f"--bpm {low}:{high}"))
    return tuple(found)


def _disagreements(settings: Settings, moved: bool, probability_one: float) -> tuple[str, ...]:
    if settings.one_at_s is None:
        return ()
    if moved:
        return (f"no beat was heard near {settings.one_at_s:.2f} s; all beats were moved to put a 1 there",)
    if probability_one < 0.2:
        return (f"the sound speaks against a 1 at {settings.one_at_s:.2f} s; it was set there as asked",)
    return ()
