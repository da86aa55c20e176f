"""Players with one known fault, and the same players without it: what does the review name?

There are 50 takes for each kind of fault, and half of them have it. All have a fill and a rest of two bars, played as
well as everything else, so that neither gives anything away. Faults are made by plain arithmetic on the strokes, not
from the shapes that the review looks for: creeping follows a half cosine, slips decay by a share at each note.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.take.simulated import random_player
from eval.take.simulation import Simulated, make_track, simulate_take
from eval.take.tables import table
from pulsefind.core.records import Analysis
from pulsefind.take.records import TakeHits
from pulsefind.take.review import review_take

KINDS = ("creep", "slip", "late return", "rushed fill", "uneven")
BARS, FILL_BAR, REST_BARS = 40, 15, (27, 28)
Strokes = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Faulty:
    """A take, its track, the fault ("" for none), its bars (indices) and size in ms."""

    track: Analysis
    hits: TakeHits
    fault: str
    first_bar: int
    last_bar: int
    size_ms: float


def faulty(kind: str, seed: int, with_fault: bool) -> Faulty:
    """One take of 40 bars, its start known."""
    rng = np.random.default_rng(seed)
    player = replace(random_player(rng), swing_ratio=1.0, mean_ms=0.0, drift_ms_per_bar=0.0)
    track = make_track(float(rng.uniform(80, 140)), BARS, wander_percent=0.5, seed=seed)
    take = simulate_take(track, player, rng)
    hits = _with_fill_and_rest(track, take, rng)
    bar_s = np.r_[track.bars.start_s, track.bars.end_s]
    at = np.interp(hits.time_s, bar_s, np.arange(len(bar_s)))
    size = float(rng.uniform(20, 80))
    shift, first, last = _shift(kind, at, np.array(hits.kind), size, rng)
    if not with_fault:
        return Faulty(track, hits, "", 0, 0, 0.0)
    time_s = hits.time_s + shift / 1000
    order = np.argsort(time_s, kind="stable")
    kinds = tuple(hits.kind[i] for i in order.tolist())
    return Faulty(
        track, replace(hits, time_s=time_s[order], kind=kinds, level=hits.level[order]), kind, first, last, size
    )


def _with_fill_and_rest(track: Analysis, take: Simulated, rng: np.random.Generator) -> TakeHits:
    """The last half of one bar on toms in sixteenths, and two bars of rest."""
    hits, bar_s = take.hits, np.r_[track.bars.start_s, track.bars.end_s]
    at = np.interp(hits.time_s, bar_s, np.arange(len(bar_s)))
    filled = (at >= FILL_BAR - 0.02) & (at < FILL_BAR + 0.98)
    resting = (at >= REST_BARS[0] - 0.02) & (at < REST_BARS[1] + 0.98)
    kept = np.flatnonzero(~filled & ~resting)
    place_s = np.interp(FILL_BAR + np.arange(16) / 16, np.arange(len(bar_s)), bar_s)
    # The player wanders through the fill as they would have without it.
    nominal_s, index = np.unique(take.nominal_s, return_inverse=True)
    course_ms = np.bincount(index, take.offset_ms) / np.bincount(index)
    fill_s = place_s + (np.interp(place_s, nominal_s, course_ms) + rng.normal(0, 3, 16)) / 1000
    time_s = np.r_[hits.time_s[kept], fill_s]
    kind = [hits.kind[i] for i in kept.tolist()] + ["snare"] * 4 + ["tom"] * 12
    level = np.r_[hits.level[kept], np.full(16, 90.0)]
    order = np.argsort(time_s, kind="stable")
    return replace(hits, time_s=time_s[order], kind=tuple(kind[i] for i in order.tolist()), level=level[order])


def _shift(
    kind: str, at: Strokes, kinds: NDArray[np.str_], size_ms: float, rng: np.random.Generator
) -> tuple[Strokes, int, int]:
    """How far each stroke is moved, in ms, and the bars (indices) of the fault."""
    sign = float(rng.choice([-1.0, 1.0]))
    if kind == "creep":
        length, first = int(rng.integers(4, 9)), int(rng.integers(2, 6))
        along = np.clip((at - first) / length, 0, 1)
        back = np.clip(first + length + 1 - at, 0, 1)
        return sign * size_ms * 0.5 * (1 - np.cos(np.pi * along)) * back, first, first + length
    if kind in ("slip", "late return"):
        first = REST_BARS[1] + 1 if kind == "late return" else int(rng.integers(3, 12))
        begin = float(first) if kind == "late return" else first + float(rng.integers(0, 8)) / 8
        bars = float(rng.uniform(0.5, 2.0))
        decay = np.where(at >= begin - 0.03, np.exp(-(at - begin) / (0.5 * bars)), 0.0)
        return (1.0 if kind == "late return" else sign) * size_ms * decay, first, int(begin + bars)
    if kind == "rushed fill":
        inside = (at >= FILL_BAR - 0.02) & (at < FILL_BAR + 0.98)
        return np.where(inside, -size_ms * (at - FILL_BAR), 0.0), FILL_BAR, FILL_BAR
    # One uneven limb: each of its strokes independently, spread by a third of the size (7 to 27 ms).
    limb = kinds == str(rng.choice(["kick", "snare", "hat"]))
    return np.where(limb, rng.normal(0, size_ms / 3, len(at)), 0.0), 0, BARS - 1


def named(take: Faulty) -> tuple[bool, bool]:
    """Was the fault named where it is; and was anything named that wasn't played?"""
    review = review_take(take.track, take.hits, Path("take.mid"), Path("song.wav"), starts_at_s=0.0)
    right = [f for f in review.advice.findings if _is(f.kind, f.first_bar - 1, f.last_bar - 1, take)]
    return bool(right), len(right) < len(review.advice.findings)


def _is(kind: str, first_bar: int, last_bar: int, take: Faulty) -> bool:
    return kind == take.fault and first_bar <= take.last_bar + 1 and last_bar >= take.first_bar - 1


def faults(n: int, seed: int) -> str:
    """Half of the takes of each kind have the fault: named right among those, and named though not played among all.

    Kinds have seeds of their own, a thousand apart from the first one on.
    """
    rows: list[tuple[object, ...]] = []
    for index, kind in enumerate(KINDS):
        takes = [faulty(kind, seed + 1000 * index + k, k % 2 == 0) for k in range(n or 50)]
        results = [(take, *named(take)) for take in takes]
        with_fault = [(take, right) for take, right, _ in results if take.fault]
        large = [right for take, right in with_fault if take.size_ms >= 40]
        rows.append(
            (
                kind,
                len(takes),
                sum(right for _, right in with_fault),
                len(with_fault),
                sum(large),
                len(large),
                sum(false for _, _, false in results),
            )
        )
    head = ("fault", "takes", "named right", "of", "those of 40 ms and more", "of", "named though not played")
    title = f"Faults of simulated players (20 to 80 ms, half of the takes without; seeds from {seed} on)"
    return table(title, head, rows)
