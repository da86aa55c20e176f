"""Where a take is laid on its track: by its hits, and by the track that leaks into it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.take.kit_sound import RATE_HZ, add_leak, render
from eval.take.simulated import random_player
from eval.take.simulation import Simulated, make_track, simulate_take
from eval.take.tables import table
from pulsefind.core.records import Analysis
from pulsefind.listen.audio import from_samples
from pulsefind.take.alignment import align
from pulsefind.take.records import Alignment
from pulsefind.take.strokes import find_strokes

HERE, SONG = Path("take.mid"), Path("made.wav")


def alignment(n: int) -> str:
    """Starts found: by hits alone, with and without a course of tempo in the track, and by leak."""
    rows: list[tuple[object, ...]] = []
    for name, wander, played in (
        ("hits, track breathes 0.5 %", 0.5, "bars"),
        ("the same, cut anywhere", 0.5, "cut"),
        ("hits, track breathes 0.2 %", 0.2, "bars"),
        ("the same, cut anywhere", 0.2, "cut"),
        ("hits, metronome, whole song", 0.0, "all"),
        ("hits, metronome, part of it", 0.0, "bars"),
    ):
        rows.append((name, *aligned_by_hits(n or 100, wander, played)))
    for level in (-15.0, -30.0):
        rows.append((f"leak at {level:.0f} dB", *aligned_by_leak(n or 100, level)))
    return table(
        "Alignment of takes with unknown start (error at the middle of the take; by hits the player's own mean "
        "offset is 0)",
        (
            "takes",
            "n",
            "within 5 ms",
            "shown, true among them",
            "shown, not among",
            "wrong",
            "can't tell",
            "median |error| ms",
        ),
        rows,
    )


def judge(found: Alignment, take: Simulated) -> tuple[str, float]:
    """What became of an alignment, and its error in ms at the middle of the take."""
    middle = np.array([float(np.mean(take.hits.time_s))])
    true_s = float(take.starts_at_s + middle[0] / (1 + 1e-6 * take.clock_ppm))

    def off(start_s: float, clock_ppm: float) -> float:
        return 1000 * (start_s + float(middle[0]) / (1 + 1e-6 * clock_ppm) - true_s)

    if not found.candidates:
        return "can't tell", 0.0
    if found.chosen:
        error = off(found.starts_at_s, found.clock_ppm)
        return ("right" if abs(error) <= 5 else "wrong"), error
    errors = [off(c.starts_at_s, c.clock_ppm) for c in found.candidates]
    best = min(errors, key=abs)
    return ("shown" if abs(best) <= 10 else "shown without"), best


def _tally(outcomes: list[tuple[str, float]]) -> tuple[object, ...]:
    names = [name for name, _ in outcomes]
    errors = [abs(error) for name, error in outcomes if name in ("right", "wrong")]
    counts = [names.count(name) for name in ("right", "shown", "shown without", "wrong", "can't tell")]
    return (len(outcomes), *counts, float(np.median(errors)) if errors else 0.0)


def aligned_by_hits(n: int, wander: float, played: str) -> tuple[object, ...]:
    """Takes without leak and with an unknown start: the whole song ("all"), some of its bars, or those cut anywhere."""
    outcomes = []
    for seed in range(n):
        rng = np.random.default_rng(1000 + seed)
        player = replace(random_player(rng), mean_ms=0.0, kind_ms={"kick": 0.0, "snare": 0.0, "hat": 0.0})
        track = make_track(
            float(rng.uniform(80, 140)),
            64,
            swing_ratio=player.swing_ratio,
            alone=((20, 23),),
            wander_percent=wander,
            breaks=(15, 31),
            seed=seed,
        )
        first = 0 if played == "all" else int(rng.integers(0, 16))
        last = 63 if played == "all" else int(rng.integers(40, 64))
        start_s = float(track.bars.start_s[first]) - float(rng.uniform(0.2, 6))
        take = simulate_take(
            track, player, rng, first, last, starts_at_s=start_s, clock_ppm=float(rng.uniform(-200, 200))
        )
        # The player's mean is part of the start that can be found; the truth is taken with it.
        guided = ~np.isin(take.bar, range(20, 24))
        take = replace(take, starts_at_s=take.starts_at_s - float(take.offset_ms[guided].mean()) / 1000)
        if played == "cut":
            take = _cut(take, rng)
        outcomes.append(judge(align(track, take.hits, None, None, None, None), take))
    return _tally(outcomes)


def _cut(take: Simulated, rng: np.random.Generator) -> Simulated:
    """The take without what it has in up to 4 s at either end: whoever recorded it was late, or stopped early."""
    time_s = take.hits.time_s
    first_s, last_s = time_s[0] + rng.uniform(0, 4), time_s[-1] - rng.uniform(0, 4)
    kept = np.flatnonzero((time_s >= first_s) & (time_s <= last_s))
    hits = replace(
        take.hits,
        time_s=time_s[kept],
        kind=tuple(take.hits.kind[i] for i in kept.tolist()),
        level=take.hits.level[kept],
    )
    return replace(take, hits=hits)


def made_music(track: Analysis, rng: np.random.Generator) -> NDArray[np.float64]:
    """Chords and ticks along a made track, (n,) at 44.1 kHz: something that can leak."""
    length = int((track.bars.end_s + 2.0) * RATE_HZ)
    music = np.zeros(length)
    for k, start_s in enumerate(track.beats.time_s):
        first = int(start_s * RATE_HZ)
        t = np.arange(int(0.6 * RATE_HZ)) / RATE_HZ
        root = 110 * 2 ** (int(rng.integers(0, 12)) / 12)
        chord = sum(np.sin(2 * np.pi * root * ratio * t) for ratio in (1, 1.25, 1.5, 2.01)) * np.exp(-t / 0.4)
        last = min(length, first + len(t))
        music[first:last] += 0.1 * chord[: last - first]
        if k % 2:
            music[first : min(length, first + 2000)] += 0.1 * rng.normal(size=min(length, first + 2000) - first)
    return music


def aligned_by_leak(n: int, level_db: float) -> tuple[object, ...]:
    """Recorded takes with the track in them, 40 s to 70 s long."""
    outcomes = []
    for seed in range(n):
        rng = np.random.default_rng(2000 + seed)
        player = random_player(rng)
        track = make_track(float(rng.uniform(90, 140)), 32, swing_ratio=player.swing_ratio, seed=seed)
        music = made_music(track, rng)
        take = simulate_take(
            track, player, rng, starts_at_s=float(rng.uniform(-3, 8)), clock_ppm=float(rng.uniform(-200, 200))
        )
        drums = render(take.hits, rng)
        mixed = add_leak(drums, music, take.starts_at_s, take.clock_ppm, level_db, rng)
        sound = from_samples(mixed, RATE_HZ)
        hits = find_strokes(sound)
        outcomes.append(judge(align(track, hits, from_samples(music, RATE_HZ), sound, None, None), take))
    return _tally(outcomes)
