"""From activations to counted beats: which tempo octave, which meter, and which beat is the 1.

The best path through the activations gives the beats. Beat tracking is seldom wrong about where something happens and
often about what it means. So the count is decided over the whole track, and the best paths at half, double, two thirds
and three halves of the tempo are kept as other readings, each with its share of the evidence.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import softmax

from pulsefind.beats.confidence import beat_phase_share, by_section, phase_shares
from pulsefind.beats.counting import METERS, USUAL_PRIORS, BarPath, CountPriors, best_bars, rotated
from pulsefind.beats.one_hint import EVIDENCE_LIMIT, OWN_PLACE_S, REACH_S, among_beats, meant
from pulsefind.beats.path import BeatPath, intervals, kept_path
from pulsefind.beats.reading import (
    Heard,
    Reading,
    bpm_of,
    half_a_beat_later,
    over_the_middles,
    reading_of,
    times_s,
    usual_meter,
)
from pulsefind.beats.taps import (
    continued,
    counted_otherwise,
    heard_otherwise,
    lateness_s,
    tempi,
    with_taps,
)
from pulsefind.core.records import Activations, Alternative, FloatArray, Harmony, Pulse, Settings
from pulsefind.listen.sounding import sounding

BPM_LOW, BPM_HIGH = 55.0, 215.0
"""The tempi searched first without a hint (published: madmom's defaults); other octaves may lie outside."""

OCTAVE_BPM_LOW, OCTAVE_BPM_HIGH = 40.0, 290.0  # judged: beats that can still be counted aloud

SEARCH_METERS = (3, 4)
"""Meters assumed while searching for beats (published: madmom's usual ones); the actual meter is decided afterwards, on
the beats.
"""

RATIOS = (2.0, 0.5, 1.5, 2 / 3)
"""Tempi of the other readings, relative to the best path (common practice, no source)."""

TEMPO_MARGIN = 1.08  # judged: another reading speeds up and slows down about as far as the best path does

METER_EVIDENCE_BEATS = 32.0
"""How many beats' worth of independent evidence about the meter a track holds (judged)."""

_UNLIKELY, _SETTLED = 0.2, 0.99  # probabilities, judged: a warning below the one, no alternative beyond the other
_MIN_BEATS = 4  # judged: fewer are no pulse
_TOLD_LATE_S = 0.02  # judged: drummers notice 19 to 24 ms between two drums


def decode(
    activations: Activations,
    harmony: Harmony,
    settings: Settings,
    priors: CountPriors = USUAL_PRIORS,
    searched: tuple[BeatPath, ...] | None = None,
) -> Pulse:
    """Find the beats and count them.

    Hints bind: with bpm_low and bpm_high only tempi within them are considered, with meter every bar has that meter,
    and with one_at_s the beat meant by that time is a 1 (if none is near, all beats move). Taps, less their common
    lateness, bind where they are, and the rest of the track follows them. Too little to count gives a Pulse without
    beats. searched: what `search` found for the same activations and settings, if that is known; taps need more.
    """
    if not settings.taps_s:
        return _decoded(activations, harmony, settings, priors, searched=searched)
    return _decoded_with_taps(activations, harmony, settings, priors)


def search(
    values: FloatArray, rate_hz: float, settings: Settings, ratios: tuple[float, ...] = RATIOS
) -> tuple[BeatPath, ...]:
    """The best path of beats first, then those at these ratios of its tempo: the part of `decode` that takes longest.

    values, rate_hz: as in Activations; nothing else that was heard is asked for. None where there is too little to
    count.
    """
    values = values[sounding(values)]
    if len(values) < rate_hz:
        return ()
    low, high = settings.bpm_low or BPM_LOW, settings.bpm_high or BPM_HIGH
    hinted = settings.bpm_low is not None or settings.bpm_high is not None
    base = kept_path(values, intervals(rate_hz, low, high), SEARCH_METERS, settings.use_cache)
    if len(base.frame) < 2:
        return ()
    paths, bpm = [base], bpm_of(base.frame, rate_hz)
    floor, ceiling = (low, high) if hinted else (OCTAVE_BPM_LOW, OCTAVE_BPM_HIGH)
    slowest, quickest = _tempo_range(base, rate_hz)
    for ratio in ratios:
        if floor <= bpm * ratio <= ceiling:
            span = intervals(rate_hz, max(floor, slowest * ratio), min(ceiling, quickest * ratio))
            paths.append(kept_path(values, span, SEARCH_METERS, settings.use_cache))
    return tuple(path for path in paths if len(path.frame) >= 2)


def _decoded_with_taps(activations: Activations, harmony: Harmony, settings: Settings, priors: CountPriors) -> Pulse:
    """The pulse given the taps, with a note where the sound alone would give other beats."""
    late_s = lateness_s(activations, np.array(settings.taps_s))
    tap_s = np.array(settings.taps_s) - late_s
    low, high = tempi(tap_s)
    settings = replace(settings, taps_s=tuple(tap_s), bpm_low=low, bpm_high=high)
    guess = _decoded(activations, harmony, replace(settings, taps_s=(), taps_count=()), priors)
    free = replace(settings, taps_s=(), taps_count=(), bpm_low=None, bpm_high=None)
    alone = _decoded(activations, harmony, free, priors, ratios=())
    pulse = _decoded(with_taps(activations, continued(tap_s, guess.time_s)), harmony, settings, priors)
    said = []
    if abs(late_s) >= _TOLD_LATE_S:
        way = "late" if late_s > 0 else "early"
        done = "that was taken out" if settings.taps_by_ear else "they were kept; to take it out: --taps-by-ear"
        said.append(f"all taps are about {1000 * abs(late_s):.0f} ms {way}; {done}")
    if otherwise := heard_otherwise(tap_s, alone.time_s):
        said.append(f"the taps disagree with the sound ({otherwise}); they were kept as tapped")
    elif counted := counted_otherwise(settings, alone):
        said.append(f"the counts of the taps disagree with the sound ({counted}); they were kept as tapped")
    return replace(pulse, warnings=(*said, *pulse.warnings))


def _decoded(
    activations: Activations,
    harmony: Harmony,
    settings: Settings,
    priors: CountPriors,
    ratios: tuple[float, ...] = RATIOS,
    searched: tuple[BeatPath, ...] | None = None,
) -> Pulse:
    """The pulse, compared with readings at these ratios of its tempo."""
    paths = search(activations.values, activations.frame_rate_hz, settings, ratios) if searched is None else searched
    part, rate_hz = sounding(activations.values), activations.frame_rate_hz
    first_frame, values = part.start, activations.values[part]
    ones, phase = activations.downbeat_log_odds[part], activations.phase_log_odds[part]
    heard = Heard(values, ones, phase, rate_hz, first_frame, harmony, activations.struck, priors)
    readings = [reading_of(heard, path, settings) for path in paths if len(path.frame) >= _MIN_BEATS]
    if not readings:
        return _no_pulse()
    hint_s = settings.one_at_s
    if hint_s is not None:
        hint_s = among_beats(times_s(heard, readings[0].path), usual_meter(readings[0].bars), hint_s)
    chosen = _better_beat_phase(heard, readings[0], replace(settings, one_at_s=hint_s))
    best = chosen.reading
    time_s, moved = times_s(heard, best.path), False
    if hint_s is not None:
        one, _ = _meant(heard, best, replace(settings, one_at_s=hint_s))
        time_s, moved = _with_fixed_one(time_s, one, hint_s, settings.one_exact)
        best = replace(best, bars=rotated(best.bars, one))
    shares = _shares(readings)
    unit = settings.meter[1] if settings.meter else _unit(best.bars, best.bpm)
    probability_one, one_alternatives = _phase(best, time_s, settings)
    probability_one *= chosen.probability
    warnings = _disagreements(settings, moved or chosen.probability < _UNLIKELY, probability_one)
    meter_share = _meter_share(best, settings, priors)
    alternatives = one_alternatives + chosen.alternatives + _octave_alternatives(readings, shares)
    return Pulse(
        time_s=time_s,
        count=best.bars.count,
        beats_per_bar=best.bars.beats_per_bar,
        unit=unit,
        # A 1 counted in the wrong meter or at the wrong tempo isn't one.
        probability_one=probability_one * meter_share * shares[0],
        probability_octave=shares[0],
        probability_meter=meter_share,
        alternatives=tuple(sorted(alternatives, key=lambda other: -other.probability)),
        warnings=warnings,
        probability_phase=chosen.probability,
        sections=by_section(
            best.log_odds, over_the_middles(heard, best.path), best.bars.count, best.bars.beats_per_bar
        ),
    )


def _no_pulse() -> Pulse:
    empty = np.zeros(0, np.int64)
    return Pulse(np.zeros(0), empty, empty, 4, 0.0, 0.0, 0.0)


def _tempo_range(path: BeatPath, rate_hz: float) -> tuple[float, float]:
    """The slowest and the quickest tempo of a path, with a margin, at most a quarter away from its usual one.

    Another reading of the same music speeds up and slows down in the same places.
    """
    usual = bpm_of(path.frame, rate_hz)
    slowest, quickest = 60 * rate_hz / np.percentile(np.diff(path.frame), (95, 5))
    return float(max(0.8 * usual, slowest / TEMPO_MARGIN)), float(min(1.25 * usual, quickest * TEMPO_MARGIN))


@dataclass(frozen=True, slots=True)
class _BeatPhase:
    """A reading in one beat phase, the probability that it is right, and the other phase as an alternative."""

    reading: Reading
    probability: float
    alternatives: tuple[Alternative, ...]


def _better_beat_phase(heard: Heard, reading: Reading, settings: Settings) -> _BeatPhase:
    """The reading, or the same one half a beat later, whichever is marked more strongly over the whole track.

    The search follows whatever is struck most clearly, and that may be a guitar between the beats. A hint at a 1
    decides.
    """
    path, later = reading.path, half_a_beat_later(reading.path)
    if len(later.frame) < _MIN_BEATS:
        return _BeatPhase(reading, 1.0, ())
    log_odds = float(heard.phase_log_odds[path.frame].mean() - heard.phase_log_odds[later.frame].mean())
    if settings.taps_s:
        return _BeatPhase(reading, 1.0, ())
    hinted = settings.one_at_s is not None
    if not hinted and beat_phase_share(log_odds) > _SETTLED:
        return _BeatPhase(reading, beat_phase_share(log_odds), ())
    moved = reading_of(heard, later, settings)
    stays = _means_first(heard, reading, moved, log_odds, settings)
    share = beat_phase_share(log_odds if stays else -log_odds)
    settled = hinted or share > _SETTLED
    chosen, left = (reading, moved) if stays else (moved, reading)
    return _BeatPhase(chosen, share, () if settled else _other_phase(left, 1 - share, heard))


def _means_first(heard: Heard, first: Reading, second: Reading, log_odds: float, settings: Settings) -> bool:
    """Is the first of two beat phases right, by the sound and by the hint, if there is one?"""
    if settings.one_at_s is None:
        return log_odds >= 0
    (_, fit), (_, other) = (_meant(heard, reading, settings) for reading in (first, second))
    if settings.one_exact:
        return fit >= other
    return fit - other + float(np.clip(log_odds, -EVIDENCE_LIMIT, EVIDENCE_LIMIT)) >= 0


def _meant(heard: Heard, reading: Reading, settings: Settings) -> tuple[int, float]:
    """The beat of a reading that a hint at a 1 means, and how well it fits."""
    assert settings.one_at_s is not None
    count, time_s = reading.bars.count, times_s(heard, reading.path)
    shares = phase_shares(reading.log_odds, count, usual_meter(reading.bars))
    return meant(time_s, count, shares, settings.one_at_s, settings.one_exact)


def _other_phase(left: Reading, probability: float, heard: Heard) -> tuple[Alternative, ...]:
    """The beat phase that wasn't chosen, with the hint that names its first 1; nothing if it has none."""
    ones_s = times_s(heard, left.path)[left.bars.count == 1]
    if not len(ones_s):
        return ()
    hint = f"--one-at {ones_s[0]:.2f}"
    return (Alternative("the beat is half a beat away", probability, hint),)


def _shares(readings: list[Reading]) -> list[float]:
    score = np.array([reading.score for reading in readings])
    return [float(share) for share in softmax(score)]


def _unit(bars: BarPath, bpm: float) -> int:
    """The note value counted: eighths in quick odd and compound meters, else quarters (common practice, no source)."""
    meter = usual_meter(bars)
    quick_from = {3: 240.0, 5: 180.0, 6: 110.0, 7: 180.0}
    return 8 if bpm >= quick_from.get(meter, np.inf) else 4


def _with_fixed_one(time_s: FloatArray, one: int, one_at_s: float, exact: bool) -> tuple[FloatArray, bool]:
    """Move all beats so that one meets the hint, unless it is near already. Returns the times and whether they moved.

    A 1 found by ear near the middle between two beats means the middle.
    """
    step_s = float(np.median(np.diff(time_s)[max(0, one - 4) : one + 4]))
    away_s = one_at_s - float(time_s[one])
    if abs(away_s) <= (OWN_PLACE_S if exact else REACH_S):
        return time_s, False
    if not exact and abs(abs(away_s) - step_s / 2) <= REACH_S:
        away_s = float(np.copysign(step_s / 2, away_s))
    step = np.diff(time_s, append=2 * time_s[-1] - time_s[-2])
    return time_s + away_s / step_s * step, True


def _phase(best: Reading, time_s: FloatArray, settings: Settings) -> tuple[float, tuple[Alternative, ...]]:
    """Confidence in the 1 against every other constant shift of the count, and the next best shift."""
    meter = usual_meter(best.bars)
    log_odds = best.log_odds
    share = phase_shares(log_odds, best.bars.count, meter)
    if settings.one_at_s is not None or meter == 1:
        return float(share[0]), ()
    others = sorted(range(1, meter), key=lambda shift: -share[shift])
    found = []
    for shift in others[:1]:
        ones = time_s[(best.bars.count - 1 - shift) % meter == 0]
        if len(ones) and share[shift] >= 0.01:
            found.append(Alternative(_shift_text(shift, meter), float(share[shift]), f"--one-at {ones[0]:.2f}"))
    return float(share[0]), tuple(found)


def _shift_text(shift: int, meter: int) -> str:
    beats, way = (shift, "later") if shift <= meter / 2 else (meter - shift, "earlier")
    return f"the 1 is {beats} {'beat' if beats == 1 else 'beats'} {way}"


def _meter_share(best: Reading, settings: Settings, priors: CountPriors) -> float:
    """Confidence in the number of beats in a bar, given the beats."""
    if settings.meter is not None:
        return 1.0
    log_odds = best.log_odds
    chosen = usual_meter(best.bars)
    damping = min(1.0, METER_EVIDENCE_BEATS / max(len(log_odds), 1))
    log = {m: damping * best_bars(log_odds, (m,), priors).log_likelihood + np.log(priors.of_meter(m)) for m in METERS}
    top = max(log.values())
    weight = {m: float(np.exp(value - top)) for m, value in log.items()}
    return weight.get(chosen, 0.0) / sum(weight.values())


def _octave_alternatives(readings: list[Reading], shares: list[float]) -> tuple[Alternative, ...]:
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
    if probability_one < _UNLIKELY:
        return (f"the sound speaks against a 1 at {settings.one_at_s:.2f} s; it was set there as asked",)
    return ()
