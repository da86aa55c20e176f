"""The guide brought forward: its band lifted out of the track at its hits, and its pattern alone, looped.

A linear-phase filter cuts out the band and its delay is removed, so that band and rest add up to the track again and no
attack moves. Sound passes block by block from one spool to the next; levels, true peak, the fade-in and writing are as
for practice audio.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.signal import firwin, oaconvolve

from pulsefind.core.errors import HintError
from pulsefind.core.files import new_files
from pulsefind.core.records import Analysis, FloatArray, Guide
from pulsefind.listen.decoding import BLOCK
from pulsefind.practice.mix import Levels, Piece, Rendered, Score, render
from pulsefind.practice.spool import Samples, Spool, processed

LIFT_DB, LOWER_DB = 6.0, -12.0
"""Gain of the guide's band at its hits, and of everything else (judged by ear)."""

LOOP_TIMES = 8
"""How often the pattern is played (judged): the first round fades in."""

BEFORE_S, RAMP_S = 0.01, 0.008  # judged by ear: how far ahead of its hit a moment starts, and its ramps
SHORTEST_S, LONGEST_S = 0.06, 0.3
"""A moment lasts as long as the sound, within these limits (judged by ear)."""

_NARROW, _WIDER_IF_NOISY = 1.6, 1.4  # judged by ear: edges over centre, for a tone; and for noise on top
_LOWEST_HZ, _HIGHEST_SHARE = 25.0, 0.98  # judged: what a filter of this length can still separate
_PERIODS, _MOST_TAPS = 8, 8191  # judged: periods of the lower edge in the filter, and its longest


@dataclass(frozen=True, slots=True)
class _Round:
    """One round of the pattern: its hits, its start and its end, in seconds of the track."""

    hits_s: FloatArray
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class _Filter:
    """taps (2 * half + 1,) of the guide's band."""

    taps: FloatArray
    half: int


def loop_path(path: Path) -> Path:
    """The file for the pattern alone: next to the other one, named after it."""
    return path.with_name(f"{path.stem} loop{path.suffix}")


def write_heard(spool: Spool, analysis: Analysis, guide: Guide, path: Path, force: bool) -> tuple[Rendered, Rendered]:
    """Write the track with the guide brought forward to path, and its pattern alone to loop_path(path): both or none.

    Raises
    ------
    HintError
        if the guide is struck nowhere.
    OutputError
        if a file can't be written.
    """
    one = _best_round(analysis, guide)
    length = round((one.end_s - one.start_s) / spool.speed * spool.rate_hz)
    loop = loop_path(path)
    with new_files((path, loop), force) as work:
        forward = _written(spool, _brought_forward(spool, guide), spool.n, work / path.name)
        alone = _written(spool, _pattern_alone(spool, guide, one, length), LOOP_TIMES * length, work / loop.name)
    return replace(forward, path=path), replace(alone, path=loop)


def _written(spool: Spool, blocks: Iterator[Samples], n: int, path: Path) -> Rendered:
    with processed(spool, blocks) as sound:
        score = Score(n, (Piece(0, 0, n),), np.zeros(0), np.zeros(0, np.bool_))
        return render(sound, score, Levels(), path, force=False)


def _brought_forward(spool: Spool, guide: Guide) -> Iterator[Samples]:
    """The whole track in blocks (m, channels): the guide's band lifted at its hits, everything else lowered."""
    low, high = 10 ** (LOWER_DB / 20), 10 ** (LIFT_DB / 20)
    first = 0
    for part in lifted_out(spool, guide):
        yield (low * spool.read(first, len(part)) + (high - low) * part).astype(np.float32)
        first += len(part)


def lifted_out(spool: Spool, guide: Guide) -> Iterator[FloatArray]:
    """The guide's band at its hits, silence in between, in blocks (m, channels) as long as the track."""
    band = _band_filter(guide, spool.rate_hz)
    at = spool.position(guide.hits.time_s[guide.hits.on_pattern])
    for first in range(0, spool.n, BLOCK):
        n = min(BLOCK, spool.n - first)
        yield _gate(at, first, n, guide, spool.rate_hz)[:, None] * _in_band(spool, first, n, band)


def _pattern_alone(spool: Spool, guide: Guide, one: _Round, length: int) -> Iterator[Samples]:
    """The guide's band at the hits of one round of its pattern, length frames long, LOOP_TIMES over."""
    band = _band_filter(guide, spool.rate_hz)
    out = np.zeros((length, spool.channels))
    start = round(float(spool.position(np.array([one.start_s]))[0]))
    for at in spool.position(one.hits_s):
        first = int(at - (BEFORE_S + RAMP_S) * spool.rate_hz)
        n = min(length, int((BEFORE_S + LONGEST_S + 2 * RAMP_S) * spool.rate_hz) + 1)
        moment = _in_band(spool, first, n, band) * _gate(np.array([at]), first, n, guide, spool.rate_hz)[:, None]
        # What sounds before the 1 goes to the end of the previous round.
        out[(first - start + np.arange(n)) % length] += moment
    for _ in range(LOOP_TIMES):
        yield out.astype(np.float32)


def _best_round(analysis: Analysis, guide: Guide) -> _Round:
    """The round with most places of the pattern struck; of equal ones, the one nearest the middle of the hits."""
    on = guide.hits.on_pattern
    time_s, bar = guide.hits.time_s[on], guide.hits.bar[on]
    if not len(time_s):
        raise HintError(f"the guide ({guide.name}) is struck nowhere in this track; choose another with --guide")
    bars, p = analysis.bars, guide.pattern_bars
    firsts = [k for k in range(len(bars.start_s) - p + 1) if bars.number[k] >= 1 and (bars.number[k] - 1) % p == 0]
    if not firsts:
        raise HintError(f"the guide ({guide.name}) repeats every {p} bars, and the track has fewer; choose another")
    middle = float(np.median(bar))
    struck = {k: int(((bar >= k) & (bar < k + p)).sum()) for k in firsts}
    wanted = len(guide.places)
    best = min(firsts, key=lambda k: (abs(struck[k] - wanted), abs(k - middle)))
    inside = (bar >= best) & (bar < best + p)
    return _Round(time_s[inside], float(bars.start_s[best]), float(bars.ends_s[best + p - 1]))


def _band_filter(guide: Guide, rate_hz: int) -> _Filter:
    """The wider the noisier the sound is, and long enough for eight periods of its lower edge."""
    width = _NARROW + _WIDER_IF_NOISY * guide.sound.noisiness
    low = max(_LOWEST_HZ, guide.sound.centre_hz / width)
    high = min(guide.sound.centre_hz * width, _HIGHEST_SHARE * rate_hz / 2)
    half = int(min(_PERIODS * rate_hz / low, _MOST_TAPS)) // 2
    return _Filter(firwin(2 * half + 1, [min(low, high / 1.5), high], pass_zero=False, fs=rate_hz), half)


def _in_band(spool: Spool, first: int, n: int, band: _Filter) -> FloatArray:
    around = spool.read(first - band.half, n + 2 * band.half).astype(np.float64)
    inside: FloatArray = oaconvolve(around, band.taps[:, None], mode="valid", axes=0)
    return inside


def _gate(at: FloatArray, first: int, n: int, guide: Guide, rate_hz: int) -> FloatArray:
    """(n,) 1 at the moments of the guide, 0 elsewhere, with raised-cosine ramps."""
    last_s = float(np.clip(guide.sound.decay_ms / 1000, SHORTEST_S, LONGEST_S))
    frame = first + np.arange(n)
    share = np.zeros(n)
    ramp = RAMP_S * rate_hz
    near = at[(at > first - (last_s + 1) * rate_hz) & (at < first + n + rate_hz)]
    for hit in near:
        low, high = hit - BEFORE_S * rate_hz, hit + last_s * rate_hz
        a, b = np.searchsorted(frame, [low - ramp, high + ramp])
        inside = np.minimum(frame[a:b] - (low - ramp), (high + ramp) - frame[a:b]) / ramp
        share[a:b] = np.maximum(share[a:b], np.clip(inside, 0, 1))
    gate: FloatArray = 0.5 - 0.5 * np.cos(np.pi * share)
    return gate
