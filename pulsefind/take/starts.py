"""Candidate starts of a take: where its hits fall on the track's grid, and where they coincide with its onsets.

For both, an FFT scores every start at once; each peak is then refined on the grid's places.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d

from pulsefind.core.nearest import nearest
from pulsefind.core.records import Analysis, FloatArray
from pulsefind.take.heard import RATE_HZ, SCATTERED, Heard
from pulsefind.take.leak import CLOCK_PPM
from pulsefind.take.places import Slots, alone_bars, every_slot
from pulsefind.take.records import TakeHits

WITNESS = 0.18
"""Neighbouring hits share their error (a player drifts), so they aren't independent witnesses: with a lag-1 correlation
of 0.7 (judged: a phase gain of 0.3), n of them count as (1 - 0.7) / (1 + 0.7) n (arithmetic).
"""

SPREAD_S = 0.018  # judged: of hits around their places, before a take's own spread is known
CLOCK_SIGMA_PPM = 120.0  # judged: of the two clocks' difference (quartz: some 100 ppm at worst)

_STEP_S = 0.004  # judged: a few steps to the spread of the hits
_COARSE_CLOCKS = np.arange(-200.0, 201.0, 50.0)  # ppm, judged: refined afterwards
_MOST_PEAKS, _MOST_HEARD = 500, 40  # judged: starts that are scored, the highest peaks first
_LOOSENESS = SPREAD_S**2 / WITNESS / (1e-6 * CLOCK_SIGMA_PPM) ** 2  # ridge of a normal prior (arithmetic)
_ROUNDS = 4  # judged: rounds of reweighting
_ENOUGH_GUIDED = 0.3  # judged: of the places; with fewer to follow, all of them are used
_HEARD_APART_S = 0.1  # judged: peaks closer than this are one start


@dataclass(frozen=True, slots=True)
class Field:
    """What hits are laid on: the slots, the beats' edges, and what the track itself plays in every slot.

    track_low and track_high: (n_slots,) how many low and other hits of the track. guided: (n_slots,) is there something
    to follow? A player alone drifts, which says nothing about start and clock.
    """

    slots: Slots
    edges: FloatArray
    beat_s: FloatArray
    track_low: FloatArray
    track_high: FloatArray
    guided: NDArray[np.bool_]


def field_of(analysis: Analysis) -> Field:
    """The places of a track, and what it plays in them."""
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
    return Field(slots, edges, np.diff(edges) if len(edges) > 1 else np.zeros(0), low, high, guided)


def grid_starts(field: Field, hits: TakeHits) -> list[tuple[float, float]]:
    """(start, clock) pairs at which the hits correlate best with a comb of the slots, by FFT."""
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


def refine(field: Field, hits: TakeHits, start_s: float, clock_ppm: float) -> tuple[float, float]:
    """Start and clock at which the hits on average lie on their nearest slots (Tukey's biweight against strays)."""
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
        # nominal - take time = start + slope * take time. The slope shrinks towards zero (a perfect clock) as far as
        # the
        # hits' own looseness leaves it open.
        wanted = slots.nominal_s[index] - time_s
        centre_s, mean_s = (float(weight @ v / weight.sum()) for v in (time_s, wanted))
        moved = time_s - centre_s
        slope = float((weight * moved) @ wanted / ((weight * moved) @ moved + _LOOSENESS))
        slope = float(np.clip(slope, -1e-6 * CLOCK_PPM, 1e-6 * CLOCK_PPM))
        start_s, clock_ppm = mean_s - slope * centre_s, 1e6 * (1 / (1 + slope) - 1)
    return start_s, clock_ppm


def heard_starts(heard: Heard, hits: TakeHits) -> list[tuple[float, float]]:
    """(start, 0) pairs at which the hits coincide with the track's onsets best, by FFT, whatever the beats are."""
    n = len(heard.low)
    if not n or not len(hits.time_s):
        return []
    reach = int(hits.time_s[-1] * RATE_HZ) + 2
    size = next_fast_len(n + reach, real=True)
    kick = np.array([kind == "kick" for kind in hits.kind])
    total = np.zeros(size)
    for density, mine in ((heard.low, kick), (heard.high, ~kick)):
        played = np.bincount(np.round(hits.time_s[mine] * RATE_HZ).astype(np.int64), minlength=reach)
        ratio = np.log(SCATTERED + (1 - SCATTERED) * density)
        total += irfft(rfft(ratio, size) * np.conj(rfft(played.astype(np.float64), size)), size)
    row = np.r_[total[size - reach :], total[:n]]
    half = int(_HEARD_APART_S * RATE_HZ)
    peak = np.flatnonzero(row == maximum_filter1d(row, 2 * half + 1))
    peak = peak[np.argsort(-row[peak])][:_MOST_HEARD]
    return [((int(p) - reach) / RATE_HZ, 0.0) for p in peak]
