"""From a score to notes in seconds: tempo, swing, feel, how the song starts and ends, and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.form import Part, Score

FloatArray = NDArray[np.float64]

HIT_KINDS = ("kick", "snare", "hat", "cymbal", "tom", "percussion", "pluck", "bass")
_KIND_OF_KEY = {
    **dict.fromkeys((35, 36), 0),
    **dict.fromkeys((37, 38, 39, 40, 82), 1),
    **dict.fromkeys((42, 44, 46), 2),
    **dict.fromkeys((49, 51, 52, 53, 55, 57, 59), 3),
    **dict.fromkeys((41, 43, 45, 47, 48, 50), 4),
}
PLAYED_FREELY = frozenset(
    {"arrangement", "ballad", "bolero", "chorale", "classical", "folk", "slow-three", "tango", "waltz"}
)
"""Styles that may be played with rubato where no drums keep the time."""

_PLUCKED = frozenset({"guitar", "acoustic", "nylon", "keys", "jazz", "drive", "vibes"})


@dataclass(frozen=True, slots=True)
class Performance:
    """Notes in seconds and their truth.

    parts: as in the score; drums (n, 3) of time_s, key, velocity; beats (n, 2) of time_s, count;
    hits (n, 2) of time_s, index into HIT_KINDS; end_s: where the song stops.
    """

    style: str
    parts: tuple[Part, ...]
    drums: FloatArray
    beats: FloatArray
    hits: FloatArray
    end_s: float


def perform(score: Score, length_s: float, rng: Generator, free: bool = False) -> Performance:
    """Play a score within length_s seconds; free: with rubato. Beat times are those of the grid, not of any player."""
    score = _with_gaps(_with_count_in(score, rng), rng)
    beats_s = _rubato(score, rng) if free else _grid(score, rng)
    first_beat, lead_in_s = _entrance(score, rng)
    last = float(score.bar_start[-1])
    grid = np.arange(-8, last + 9)
    clock_s = np.interp(grid, np.arange(len(beats_s)), beats_s)
    before, after = beats_s[1] - beats_s[0], beats_s[-1] - beats_s[-2]
    clock_s[grid < 0] = beats_s[0] + grid[grid < 0] * before
    clock_s[grid > last] = beats_s[-1] + (grid[grid > last] - last) * after
    clock_s -= np.interp(first_beat, grid, clock_s) - lead_in_s

    def seconds(beat: FloatArray) -> FloatArray:
        return np.asarray(np.interp(_swung(beat, score), grid, clock_s))

    wander = _wander(grid, rng)
    parts = tuple(q for p in score.parts if len((q := _played(p, seconds, wander, clock_s, first_beat, rng)).notes))
    drums = score.drums[score.drums[:, 0] >= first_beat - 0.3] if len(score.drums) else score.drums
    if len(drums):
        loose = rng.uniform(0, 0.008)
        time_s = seconds(drums[:, 0]) + rng.normal(0, 0.003) + rng.normal(0, loose, len(drums))
        time_s = time_s + (0 if "groove" in score.style else np.interp(time_s, clock_s, wander))
        drums = np.c_[np.maximum(time_s, 0.0), drums[:, 1:]]
        drums = drums[np.argsort(drums[:, 0], kind="stable")]
    end_s = float(min(length_s, np.interp(last, grid, clock_s)))
    return Performance(
        score.style, parts, drums, _truth(score, grid, clock_s, first_beat, end_s), _hits(parts, drums, end_s), end_s
    )


def _grid(score: Score, rng: Generator) -> FloatArray:
    """Seconds of every beat, the first at 0: a click, a live band, a drift, a jump, a slow end."""
    count = int(score.bar_start[-1])
    step_s = np.full(count, 60 / score.bpm)
    kind = rng.random()
    if 0.45 < kind < 0.8:
        walk = np.cumsum(rng.normal(0, rng.uniform(0.002, 0.008), count))
        step_s *= np.exp(np.clip(walk - np.linspace(0, walk[-1], count) * 0.7, -0.12, 0.12))
        step_s *= 1 + rng.normal(0, rng.uniform(0, 0.008), count)
    elif kind < 0.92 and kind >= 0.8:
        step_s *= np.exp(np.linspace(0, rng.normal(0, 0.12), count))
    elif kind >= 0.92:
        for _ in range(int(rng.integers(1, 4))):
            at = int(rng.integers(count))
            step_s[at : at + int(rng.integers(2, 16))] *= 1 + rng.uniform(-0.06, 0.15)
    if rng.random() < 0.08:
        step_s[-8:] *= np.linspace(1, rng.uniform(1.2, 1.7), len(step_s[-8:]))
    return np.asarray(np.r_[0.0, np.cumsum(step_s)])


def _rubato(score: Score, rng: Generator) -> FloatArray:
    """Seconds of every beat, the first at 0, played freely: each phrase moves on and then holds back, most at its end.

    The arch of a phrase's tempo is common knowledge of performance research (Todd 1985; from memory).
    """
    bars = len(score.bar_start) - 1
    length = int(rng.choice([2, 4, 4, 8]))
    depth, hold, restless = rng.uniform(0.03, 0.18), rng.uniform(0.0, 0.35), rng.uniform(0.005, 0.03)
    beat = np.arange(int(score.bar_start[-1]))
    bar = np.interp(beat, score.bar_start, np.arange(bars + 1))
    through = bar % length / length
    step_s = 60 / score.bpm * (1 + depth * (2 * through - 1) ** 2 - depth / 2)
    last = bar % length >= length - 1 + 0.5
    step_s = step_s * np.where(last, 1 + hold * rng.random(len(beat)), 1.0) * np.exp(rng.normal(0, restless, len(beat)))
    return np.asarray(np.r_[0.0, np.cumsum(step_s)])


def _swung(beat: FloatArray, score: Score) -> FloatArray:
    """Delay the second half of every pair."""
    if score.swing == 0.5:
        return beat
    pair = np.floor(beat / score.pair_beats)
    share = beat / score.pair_beats - pair
    bent = np.where(share < 0.5, share * 2 * score.swing, score.swing + (share - 0.5) * 2 * (1 - score.swing))
    return np.asarray((pair + bent) * score.pair_beats)


def _wander(grid: FloatArray, rng: Generator) -> FloatArray:
    """How far the band as a whole moves around the click, in seconds, beat by beat."""
    steps = rng.normal(0, rng.uniform(0, 0.004), len(grid))
    course = np.zeros(len(grid))
    for i in range(1, len(grid)):
        course[i] = 0.85 * course[i - 1] + steps[i]
    return course


def _entrance(score: Score, rng: Generator) -> tuple[float, float]:
    """The first beat that sounds, and where it falls in seconds: on the 1 at once, after silence, on a pickup.

    A recording that begins with sound out of nothing begins with the song: where excerpts begin midway, the mixer
    cuts through what already sounds.
    """
    kind, size = rng.random(), int(score.bar_start[1])
    if kind < 0.6:
        return 0.0, float(rng.choice([0.0, 0.0, 0.01, 0.05]))
    if kind < 0.85 or size < 3:
        return 0.0, float(rng.uniform(0.05, 1.5))
    return size - float(rng.choice([0.5, 1.0, 1.0, 2.0])), float(rng.uniform(0.0, 0.6))


def _with_count_in(score: Score, rng: Generator) -> Score:
    """Now and then, a bar of clicks before the song."""
    if rng.random() > 0.06:
        return score
    size = int(score.bar_start[1])
    shift = np.array([size, size, 0, 0])
    key = int(rng.choice([37, 42, 76, 44]))
    clicks = np.array([(b, key, 90.0) for b in range(size)])
    drums = np.concatenate([clicks, score.drums + shift[[0, 2, 3]]]) if len(score.drums) else clicks
    parts = tuple(Part(p.role, p.family, p.notes + shift) for p in score.parts)
    return replace(score, bar_start=np.r_[0, score.bar_start + size], drums=drums, parts=parts)


def _with_gaps(score: Score, rng: Generator) -> Score:
    """Take the drums out of the intro or of a break, or everything but the drums, or stop for a moment."""
    bars = len(score.bar_start) - 1
    drums, parts = score.drums, score.parts

    def outside(beat: FloatArray, first: int, last: int) -> NDArray[np.bool_]:
        return np.asarray((beat < score.bar_start[first] - 0.05) | (beat >= score.bar_start[min(last, bars)] - 0.05))

    if len(drums) and parts and rng.random() < 0.16:
        drums = drums[outside(drums[:, 0], 0, int(rng.choice([1, 2, 4, 8])))]
    if len(drums) and parts and rng.random() < 0.15:
        first = int(rng.integers(bars))
        drums = drums[outside(drums[:, 0], first, first + int(rng.choice([1, 2, 4, 8])))]
    if len(drums) and rng.random() < 0.06:
        first = int(rng.integers(bars))
        parts = tuple(
            replace(p, notes=p.notes[outside(p.notes[:, 0], first, first + int(rng.choice([2, 4])))]) for p in parts
        )
    if rng.random() < 0.06:
        stop = float(score.bar_start[rng.integers(1, bars)])
        size = float(rng.choice([1, 2, 3]))
        parts = tuple(
            replace(p, notes=p.notes[(p.notes[:, 0] < stop - size) | (p.notes[:, 0] >= stop - 0.05)]) for p in parts
        )
        drums = drums[(drums[:, 0] < stop - size) | (drums[:, 0] >= stop - 0.05)] if len(drums) else drums
    return replace(score, drums=drums, parts=parts)


def _played(part: Part, seconds, wander, clock_s, first_beat: float, rng: Generator) -> Part:  # type: ignore[no-untyped-def]
    """A part with a player's lag and unevenness."""
    notes = part.notes[part.notes[:, 0] >= first_beat - 0.3]
    lag_s, uneven_s = (0.006, 0.02) if part.role == "lead" else (0.005, 0.012)
    lag_s = rng.normal(0.004, 0.018) if part.role == "lead" else rng.normal(0, lag_s)
    start = seconds(notes[:, 0])
    start = start + lag_s + np.interp(start, clock_s, wander) + rng.normal(0, rng.uniform(0, uneven_s), len(notes))
    start = np.maximum(start, 0.0)
    stop = np.maximum(seconds(notes[:, 1]), start + 0.06)
    played = np.c_[start, stop, notes[:, 2:]]
    return replace(part, notes=played[np.argsort(start, kind="stable")])


def _truth(score: Score, grid: FloatArray, clock_s: FloatArray, first_beat: float, end_s: float) -> FloatArray:
    """Beat times with their counts, from where the song sounds to where it stops."""
    beat = np.arange(int(np.ceil(first_beat - 0.02)), int(score.bar_start[-1]))
    bar = np.searchsorted(score.bar_start, beat, "right") - 1
    time_s = np.interp(beat, grid, clock_s)
    inside = (time_s >= -0.005) & (time_s < end_s - 0.01)
    return np.asarray(np.c_[np.maximum(time_s, 0.0), beat - score.bar_start[bar] + 1.0][inside])


def _hits(parts: tuple[Part, ...], drums: FloatArray, end_s: float) -> FloatArray:
    """Percussive onsets by kind; notes of a chord count once. What is plucked is of the chords' instruments."""
    rows = [np.c_[drums[:, 0], [_KIND_OF_KEY.get(int(k), 5) for k in drums[:, 1]]]] if len(drums) else []
    plucked = [p.notes[:, 0] for p in parts if p.role == "comp" and p.family in _PLUCKED]
    bass = [p.notes[:, 0] for p in parts if p.role == "bass"]
    for kind, starts in (("pluck", plucked), ("bass", bass)):
        if starts:
            start = np.sort(np.concatenate(starts))
            start = start[np.r_[True, np.diff(start) > 0.03]]
            rows.append(np.c_[start, np.full(len(start), HIT_KINDS.index(kind))])
    if not rows:
        return np.zeros((0, 2))
    hits = np.concatenate(rows)
    return hits[(hits[:, 0] >= 0) & (hits[:, 0] < end_s)]


def bar_sizes(count: NDArray[np.float64]) -> NDArray[np.int64]:
    """How many beats the bar of each beat (n,) has; a last bar that breaks off counts as the one before."""
    ones = np.flatnonzero(count == 1)
    sizes = np.diff(ones)
    if not len(sizes):
        return np.full(len(count), int(count.max(initial=0)))
    bar = np.clip(np.searchsorted(ones, np.arange(len(count)), side="right") - 1, 0, len(sizes) - 1)
    return np.asarray(sizes[bar])
