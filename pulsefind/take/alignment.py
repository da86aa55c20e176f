"""Laying a take on its track: where it starts, and how fast its clock runs.

1. Where the track is heard in the take, by that leak (take_leak).
2. Else by the hits: every start at which they fall on the grid is scored by a mixture likelihood of the hits'
   timing, by how the player's busy and empty places follow the track's (the form), by kick and snare in the bar,
   and by where players start and stop. What is left of the ambiguity is shown, not guessed.
3. `--starts-at` decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d

from pulsefind.core.nearest import nearest
from pulsefind.core.records import Analysis, Audio, FloatArray, IntArray
from pulsefind.take.leak import CLOCK_PPM, Leak, find_leak
from pulsefind.take.places import Slots, alone_bars, every_slot
from pulsefind.take.records import Alignment, StartCandidate, TakeHits

SURE = 0.98
"""A start is taken when it is at least this likely; otherwise the candidates are shown."""

FITS = 0.12
"""Mean log likelihood ratio, per hit, of the grid against hits scattered at random, below which nothing fits."""

_SPREAD_S, _SPREAD_RANGE_S = 0.018, (0.007, 0.03)
_STRAY = 0.1
_OUTSIDE = 0.03
# Neighbouring hits share their error (a player drifts), so they are no independent witnesses. With a lag-1 correlation
# of 0.7 (gain 0.3) n of them count as (1 - 0.7) / (1 + 0.7) n.
_WITNESS = 0.18
_STEP_S = 0.004
_COARSE_CLOCKS = np.arange(-200.0, 201.0, 50.0)
_MOST_PEAKS, _MOST_REFINED = 500, 80
_CLOCK_SIGMA_PPM = 120.0
_LOOSENESS = _SPREAD_S**2 / _WITNESS / (1e-6 * _CLOCK_SIGMA_PPM) ** 2
_FIRST_ON_ONE, _LAST_IN_LAST_BAR = np.log(6.0), np.log(4.0)
# Of 249 Groove MIDI performances in 4/4 68 % begin on a 1 (any other beat: 6 % each) and 85 % end on a 1 or in the last
# beat of a bar (each eighth there 28 %, elsewhere 3 %): 10 and 9 to 1. People chose what was kept of those sessions, so
# half of that is counted.
_BEGINS_ON_A_ONE, _ENDS_WITH_A_BAR = np.log(5.0), np.log(5.0)
_ON_BEATS, _BACKBEAT, _KICK_ON_ONE = 4.0, 4.0, 3.0
_WORTH_SHOWING = 0.002
_ROUNDS = 4
_ENOUGH_GUIDED = 0.3


@dataclass(frozen=True, slots=True)
class _Field:
    """What hits are laid on: the slots, the beats' edges, and what the track itself plays in every slot.

    track_low and track_high: (n_slots,) strength of low and of other hits of the track. guided: (n_slots,) is there
    something to follow; a player alone drifts, which says nothing of start and clock.
    """

    slots: Slots
    edges: FloatArray
    beat_s: FloatArray
    track_low: FloatArray
    track_high: FloatArray
    guided: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Fit:
    starts_at_s: float
    clock_ppm: float
    score: float
    per_hit: float


def align(
    analysis: Analysis,
    hits: TakeHits,
    track_audio: Audio | None,
    take_audio: Audio | None,
    starts_at_s: float | None,
    latency_ms: float | None,
) -> Alignment:
    """Lay a take on its track.

    starts_at_s is the track time at which the recording was started, where known, and latency_ms what the recording
    chain adds; without --starts-at or a leak a constant latency can't be told from early or late playing.
    """
    leak = find_leak(track_audio, take_audio) if track_audio is not None and take_audio is not None else None
    field = _field(analysis)
    if starts_at_s is not None:
        return _as_given(field, hits, starts_at_s, latency_ms, leak)
    if leak is not None:
        return _by_leak(field, hits, leak)
    return _by_hits(analysis, field, hits)


def _as_given(
    field: _Field, hits: TakeHits, starts_at_s: float, latency_ms: float | None, leak: Leak | None
) -> Alignment:
    if leak is not None:
        # The leak went through the same chain as the drums, so it tells the true start; the rest is latency.
        found_ms = 1000 * (starts_at_s - leak.starts_at_s)
        candidate = _candidate(field, hits, leak.starts_at_s, leak.clock_ppm, 1.0)
        return Alignment(
            "leak", leak.starts_at_s, leak.clock_ppm, True, True, (candidate,), found_ms, "the track is heard in it"
        )
    start_s = starts_at_s - (latency_ms or 0.0) / 1000
    _, clock_ppm = _refine(field, hits, start_s, 0.0)
    candidate = _candidate(field, hits, start_s, clock_ppm, 1.0)
    return Alignment("given", start_s, clock_ppm, True, True, (candidate,), latency_ms, "--starts-at")


def _by_leak(field: _Field, hits: TakeHits, leak: Leak) -> Alignment:
    starts = [(leak.starts_at_s, leak.clock_ppm), *((start, leak.clock_ppm) for start in leak.rivals)]
    chosen = len(starts) == 1
    candidates = tuple(
        _candidate(field, hits, start, clock, 1.0 if chosen else 1.0 / len(starts)) for start, clock in starts
    )
    reason = "the track is heard in it" if chosen else "the track is heard in it, but repeats itself to the sample"
    return Alignment("leak", *starts[0], chosen, True, candidates, None, reason)


def _by_hits(analysis: Analysis, field: _Field, hits: TakeHits) -> Alignment:
    fits = _fits(analysis, field, hits)
    if not fits or fits[0].per_hit < FITS:
        reason = "the hits follow the beats of this track nowhere: another song, or played apart from it"
        return Alignment("none", 0.0, 0.0, False, False, (), None, reason)
    score = np.array([fit.score for fit in fits])
    share = np.exp(score - score.max())
    share /= share.sum()
    shown = [k for k in np.argsort(-share) if share[k] >= _WORTH_SHOWING * share.max()]
    candidates = tuple(_candidate(field, hits, fits[k].starts_at_s, fits[k].clock_ppm, float(share[k])) for k in shown)
    best = candidates[0]
    chosen = best.probability >= SURE
    reason = "best fit of the hits to bars and form" if chosen else "several starts fit the hits about as well"
    return Alignment("hits", best.starts_at_s, best.clock_ppm, chosen, False, candidates, None, reason)


def _candidate(field: _Field, hits: TakeHits, start_s: float, clock_ppm: float, share: float) -> StartCandidate:
    first_bar = 0
    if len(hits.time_s) and len(field.slots.nominal_s):
        first_s = start_s + float(hits.time_s[0]) / (1 + 1e-6 * clock_ppm)
        first_bar = int(field.slots.bar[nearest(field.slots.nominal_s, np.array([first_s]))[0]])
    return StartCandidate(start_s, clock_ppm, first_bar, share)


def _field(analysis: Analysis) -> _Field:
    slots = every_slot(analysis)
    edges = analysis.edges_s
    low = np.zeros(len(slots.nominal_s))
    high = np.zeros(len(slots.nominal_s))
    for guide in analysis.guides:
        if not len(guide.hits.time_s) or not len(slots.nominal_s):
            continue
        index = nearest(slots.nominal_s, guide.hits.time_s)
        near = np.abs(slots.nominal_s[index] - guide.hits.time_s) <= 0.5 * slots.spacing_s[index]
        target = low if guide.sound.centre_hz < 160 else high
        np.add.at(target, index[near], 1.0)
    guided = ~np.isin(slots.bar, alone_bars(analysis))
    if guided.mean() < _ENOUGH_GUIDED:
        guided = np.ones(len(slots.bar), np.bool_)
    return _Field(slots, edges, np.diff(edges) if len(edges) > 1 else np.zeros(0), low, high, guided)


def _fits(analysis: Analysis, field: _Field, hits: TakeHits) -> list[_Fit]:
    """Ways to lay the hits on the slots, refined and scored, the best first; starts less than half a slot apart
    once.
    """
    if len(hits.time_s) < 8 or len(field.slots.nominal_s) < 8:
        return []
    starts = _coarse_starts(field, hits)
    rough = sorted((_score(analysis, field, hits, s, c) for s, c in starts), key=lambda fit: -fit.score)
    found: list[_Fit] = []
    apart_s = 0.4 * float(np.median(field.slots.spacing_s))
    for fit in rough:
        if len(found) >= _MOST_REFINED:
            break
        refined = _refine(field, hits, fit.starts_at_s, fit.clock_ppm)
        better = _score(analysis, field, hits, *refined)
        if all(abs(better.starts_at_s - other.starts_at_s) > apart_s for other in found):
            found.append(better)
    return sorted(found, key=lambda fit: -fit.score)


def _coarse_starts(field: _Field, hits: TakeHits) -> list[tuple[float, float]]:
    """(start, clock) pairs at which a comb of the slots and the hits correlate best, by FFT."""
    slots = field.slots
    first_s = float(field.edges[0] - 0.5)
    length_s = float(field.edges[-1] - first_s) + 0.5
    n = int(length_s / _STEP_S) + 1
    comb = np.zeros(n)
    weight = np.where(slots.within == 0, 1.0, np.where(np.isclose(slots.within, 0.5), 0.7, 0.4))
    np.add.at(comb, np.round((slots.nominal_s - first_s) / _STEP_S).astype(np.int64), weight)
    width = np.arange(-15, 16) * _STEP_S
    comb = np.convolve(comb, np.exp(-0.5 * (width / 0.02) ** 2), "same")
    comb -= comb.mean()
    reach = int(hits.time_s[-1] / _STEP_S * (1 + 1e-6 * CLOCK_PPM)) + 2
    size = next_fast_len(n + reach, real=True)
    spectrum = rfft(comb, size)
    best: FloatArray | None = None
    clock_of: FloatArray = np.zeros(0)
    for clock in _COARSE_CLOCKS:
        played = np.zeros(reach)
        index = np.round(hits.time_s / (1 + 1e-6 * clock) / _STEP_S).astype(np.int64)
        np.add.at(played, index, 1.0)
        both = irfft(spectrum * np.conj(rfft(played, size)), size)
        row = np.r_[both[size - reach :], both[:n]]
        if best is None:
            best, clock_of = row, np.full(len(row), clock)
        else:
            better = row > best
            best = np.where(better, row, best)
            clock_of = np.where(better, clock, clock_of)
    assert best is not None
    half = max(3, int(0.3 * float(np.median(slots.spacing_s)) / _STEP_S))
    peak = np.flatnonzero((best == maximum_filter1d(best, 2 * half + 1)) & (best > 0))
    peak = peak[np.argsort(-best[peak])][:_MOST_PEAKS]
    return [(first_s + (int(p) - reach) * _STEP_S, float(clock_of[p])) for p in peak]


def _refine(field: _Field, hits: TakeHits, start_s: float, clock_ppm: float) -> tuple[float, float]:
    """Start and clock at which the hits lie on their nearest slots in the mean (Tukey's biweight against strays)."""
    slots, time_s = field.slots, hits.time_s
    if len(time_s) < 2 or not len(slots.nominal_s):
        return start_s, clock_ppm
    for _ in range(_ROUNDS):
        at_s = start_s + time_s / (1 + 1e-6 * clock_ppm)
        index = nearest(slots.nominal_s, at_s)
        off_s = at_s - slots.nominal_s[index]
        limit = np.minimum(0.05, 0.5 * slots.spacing_s[index])
        weight = np.maximum(0.0, 1 - (off_s / limit) ** 2) ** 2 * field.guided[index]
        if weight.sum() < 2:
            return start_s, clock_ppm
        # nominal - take time = start + slope * take time. The slope is drawn to zero (a clock that is right) as far
        # as the hits' own looseness leaves it open.
        wanted = slots.nominal_s[index] - time_s
        centre_s, mean_s = (float(weight @ v / weight.sum()) for v in (time_s, wanted))
        moved = time_s - centre_s
        slope = float((weight * moved) @ wanted / ((weight * moved) @ moved + _LOOSENESS))
        slope = float(np.clip(slope, -1e-6 * CLOCK_PPM, 1e-6 * CLOCK_PPM))
        start_s, clock_ppm = mean_s - slope * centre_s, 1e6 * (1 / (1 + slope) - 1)
    return start_s, clock_ppm


def _score(analysis: Analysis, field: _Field, hits: TakeHits, start_s: float, clock_ppm: float) -> _Fit:
    at_s = start_s + hits.time_s / (1 + 1e-6 * clock_ppm)
    inside = (at_s >= field.edges[0] - 0.06) & (at_s < field.edges[-1])
    n = len(at_s)
    if inside.sum() < max(4, 0.25 * n):
        return _Fit(start_s, clock_ppm, -np.inf, -np.inf)
    index = nearest(field.slots.nominal_s, at_s[inside])
    timing = _timing(field, at_s[inside], index)
    outside = (n - int(inside.sum())) * np.log(_OUTSIDE)
    per_hit = float(timing.mean())
    score = _WITNESS * (float(timing.sum()) + outside)
    kind = np.array(hits.kind)[inside]
    score += _form(field, index, kind)
    score += _in_the_bar(analysis, field.slots, index, kind)
    score += _ends(analysis, field.slots, at_s)
    score -= 0.5 * (clock_ppm / _CLOCK_SIGMA_PPM) ** 2
    return _Fit(start_s, clock_ppm, score, per_hit)


def _timing(field: _Field, at_s: FloatArray, index: IntArray) -> FloatArray:
    """(n,) log likelihood ratio of each hit: a mixture of slots (weights and spread learned) and strays against
    strays alone."""
    slots = field.slots
    beat_s = field.beat_s[slots.beat[index]]
    away_s = at_s - slots.nominal_s[index]
    phase = np.round(slots.within[index] * 12).astype(np.int64) % 12
    weight, spread_s = np.full(12, 0.25), _SPREAD_S
    for _ in range(6):
        density = np.exp(-0.5 * (away_s / spread_s) ** 2) / (spread_s * np.sqrt(2 * np.pi)) * beat_s
        joint = (1 - _STRAY) * weight[phase] * density
        share = joint / (joint + _STRAY)
        total = np.bincount(phase, share, 12) + 0.05
        weight = total / total.sum()
        spread_s = float(np.sqrt(share @ away_s**2 / max(float(share.sum()), 1e-9)))
        spread_s = float(np.clip(spread_s, *_SPREAD_RANGE_S))
    ratio: FloatArray = np.log(joint + _STRAY)
    return ratio


def _form(field: _Field, index: IntArray, kind: NDArray[np.str_]) -> float:
    """Log likelihood gained because the player's busy and empty places follow the track's: from their correlation."""
    n = len(field.slots.nominal_s)
    span = slice(int(index.min()), int(index.max()) + 1)
    gain = 0.0
    for track, mine in ((field.track_low, kind == "kick"), (field.track_high, kind != "kick")):
        played = np.bincount(index[mine], minlength=n)[span] > 0
        heard = track[span] > 0
        if played.std() == 0 or heard.std() == 0:
            continue
        correlation = max(0.0, float(np.corrcoef(played, heard)[0, 1]))
        gain += -0.5 * _WITNESS * int(mine.sum()) * np.log(1 - min(correlation, 0.99) ** 2)
    return gain


def _in_the_bar(analysis: Analysis, slots: Slots, index: IntArray, kind: NDArray[np.str_]) -> float:
    """Log odds from where kick and snare fall (common practice, no source).

    They fall on beats rather than between them; snares on the even beats of an even bar, kicks on its 1.
    """
    on_beat = slots.within[index] == 0
    beats = analysis.bars.usual_beats
    count = np.round(slots.position_beats[index]).astype(np.int64) + 1
    gain = 0.0
    strong = (kind == "snare") | (kind == "kick")
    if strong.sum() >= 8:
        gain += _ON_BEATS * float(np.mean(on_beat[strong]))
    snare = on_beat & (kind == "snare")
    if beats % 2 == 0 and analysis.bars.unit == 4 and snare.sum() >= 4:
        gain += _BACKBEAT * (float(np.mean(count[snare] % 2 == 0)) - 0.5)
    kick = on_beat & (kind == "kick")
    if kick.sum() >= 4:
        gain += _KICK_ON_ONE * (float(np.mean(count[kick] == 1)) - 1.0 / beats)
    return gain


def _ends(analysis: Analysis, slots: Slots, at_s: FloatArray) -> float:
    """Players start on the first full bar's 1 and stop in the last bar more often than elsewhere (no source).

    And they begin on a 1, and end on a 1 or with the last beat of a bar.
    """
    gain = 0.0
    first_slot, last_slot = (int(k) for k in nearest(slots.nominal_s, at_s[[0, -1]]))
    on_one = (slots.within == 0) & (slots.position_beats == 0)
    if on_one[first_slot]:
        gain += float(_BEGINS_ON_A_ONE)
    beats = analysis.bars.beats_per_bar[slots.bar[last_slot]]
    if on_one[last_slot] or slots.position_beats[last_slot] >= beats - 1:
        gain += float(_ENDS_WITH_A_BAR)
    full = np.flatnonzero(analysis.bars.number >= 1)
    if len(full):
        beat_s = float(np.median(np.diff(analysis.beats.time_s)))
        if abs(float(at_s[0]) - float(analysis.bars.start_s[full[0]])) < 0.3 * beat_s:
            gain += float(_FIRST_ON_ONE)
    last = int(analysis.bars.first_beat[-1])
    if analysis.beats.time_s[last] - 0.06 <= at_s[-1] <= analysis.bars.end_s:
        gain += float(_LAST_IN_LAST_BAR)
    return gain
