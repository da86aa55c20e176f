"""Takes with known truth: tracks made from numbers, players made from the phase- and period-correction model.

The player's strokes follow r(k) = s(k) + period(k) - phase_gain A(k-1) + T(k) + M(k) - M(k-1) (Vorberg and Schulze
2002; Schulze, Cordes and Vorberg 2005) over the eighth notes of a track whose own intervals are s(k). This file shares
no code with the estimator that it tests.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import (
    Analysis,
    Bars,
    Beats,
    Confidence,
    Grid,
    GridSection,
    Guide,
    GuideHits,
    Place,
    Settings,
    Sound,
    Tempo,
    Track,
)
from pulsefind.guides.plan import plan_for
from pulsefind.take.records import TakeHits

FloatArray = NDArray[np.float64]


def make_track(
    bpm: float,
    n_bars: int,
    beats_per_bar: int = 4,
    slots_per_beat: int = 2,
    swing_ratio: float = 1.0,
    alone: tuple[tuple[int, int], ...] = (),
    wander_percent: float = 0.0,
    breaks: tuple[int, ...] = (),
    lead_s: float = 1.0,
    pickup: int = 0,
    seed: int = 0,
) -> Analysis:
    """An analysis as pulsefind would save it: one guide on every '&' (silent in alone bars and in breaks), known beats.

    wander_percent is the standard deviation of the bars' tempo around its mean, as a smooth course. alone holds bar
    indices, both ends included.
    """
    rng = np.random.default_rng(seed)
    n_beats = n_bars * beats_per_bar + pickup
    course = np.convolve(rng.normal(size=n_beats + 48), np.hanning(32), "valid")[:n_beats]
    course = course / (course.std() + 1e-9)
    interval = 60.0 / bpm * (1 + 0.01 * wander_percent * course)
    time_s = lead_s + np.r_[0.0, np.cumsum(interval)]
    beats = time_s[:-1]
    count = np.r_[np.arange(beats_per_bar - pickup, beats_per_bar), np.arange(n_bars * beats_per_bar) % beats_per_bar]
    first = np.r_[[0] if pickup else [], pickup + np.arange(n_bars) * beats_per_bar].astype(np.int64)
    size = np.r_[[pickup] if pickup else [], np.full(n_bars, beats_per_bar)].astype(np.int64)
    bars = Bars(
        first,
        size,
        np.full(len(first), beats_per_bar),
        beats[first],
        np.arange(len(first)) + (0 if pickup else 1),
        count + 1,
        float(time_s[-1]),
        4,
    )
    silent = {b for low, high in alone for b in range(low, high + 1)} | set(breaks)
    hit_s, hit_bar, hit_place = [], [], []
    for bar in range(len(first)):
        if bar in silent:
            continue
        for k in range(int(size[bar])):
            b = int(first[bar]) + k
            hit_s.append(float(beats[b] + 0.5 * interval[b]))
            hit_bar.append(bar)
            hit_place.append(f"{int(bars.count[b])}&")
    covered = np.array([b not in silent for b in range(len(first))])
    stretches = tuple(bars.stretch(low, high) for low, high in alone)
    coverage = bars.stretches(covered)
    sound = Sound(8000.0, 40.0, 0.5)
    places = tuple(Place(f"{c}&", 1, c - 0.5, 1.0, 0.0, 3.0) for c in range(1, beats_per_bar + 1))
    guide = Guide(
        "a made tick",
        sound,
        1,
        places,
        GuideHits(np.array(hit_s), np.array(hit_bar, np.int64), tuple(hit_place), np.ones(len(hit_s), np.bool_)),
        coverage,
        12.0,
        1.0,
        1.0,
        1.0,
        float(covered.mean()),
        0.9,
    )
    bar_bpm = 60.0 * size / (bars.ends_s - bars.start_s)
    return Analysis(
        track=Track("made.wav", float(time_s[-1] + 1.0), 0.0, float(time_s[-1] + 1.0), 1, 44100, f"{seed:064x}"),
        beats=Beats(beats, np.ones(n_beats), np.zeros(n_beats, np.bool_)),
        bars=bars,
        grid=Grid((GridSection(0, len(first) - 1, slots_per_beat, swing_ratio),)),
        tempo=Tempo(bpm, bar_bpm, 0.0, 0.0),
        guides=(guide,),
        alone=stretches,
        plan=plan_for((guide,), bars),
        misreadings=(),
        confidence=Confidence(0.99, 0.99, 0.99),
        alternatives=(),
        settings=Settings(),
    )


@dataclass(frozen=True)
class Player:
    """What is true of a simulated player. Offsets and noises in ms; gains per eighth note.

    drift_ms_per_bar holds in alone bars; correction says how the error is corrected afterwards: "even" over
    correction_bars, "jump" at one note, or "model" (by the gains).
    """

    phase_gain: float = 0.3
    period_gain: float = 0.0
    timekeeper_ms: float = 6.0
    motor_ms: float = 3.0
    mean_ms: float = 0.0
    kind_ms: dict[str, float] = field(default_factory=lambda: {"kick": 0.0, "snare": 0.0, "hat": 0.0})
    swing_ratio: float = 1.0
    drift_ms_per_bar: float = 0.0
    correction: str = "model"
    correction_bars: int = 1
    white_noise: bool = False
    missed: float = 0.0
    extra: float = 0.0


@dataclass(frozen=True)
class Simulated:
    """A take and what is true of it: per stroke nominal time, offset, kind and bar (of those played), and the rest."""

    hits: TakeHits
    nominal_s: FloatArray
    offset_ms: FloatArray
    kind: tuple[str, ...]
    bar: NDArray[np.int64]
    starts_at_s: float
    clock_ppm: float
    n_missed: int
    n_extra: int
    error_after_alone_ms: tuple[float, ...]


def simulate_take(
    track: Analysis,
    player: Player,
    rng: np.random.Generator,
    first_bar: int = 0,
    last_bar: int | None = None,
    starts_at_s: float = 0.0,
    latency_ms: float = 0.0,
    clock_ppm: float = 0.0,
) -> Simulated:
    """Play first_bar..last_bar (indices) of a track: eighths on the hi-hat, kick on odd and snare on even beats."""
    last_bar = len(track.bars.beats) - 1 if last_bar is None else last_bar
    edges = np.r_[track.beats.time_s, track.bars.end_s]
    bar_of_beat = track.bars.bar_of_beat
    beats = np.flatnonzero((bar_of_beat >= first_bar) & (bar_of_beat <= last_bar))
    length = np.diff(edges)[beats]
    late = player.swing_ratio / (1 + player.swing_ratio)
    nominal = np.stack([edges[beats], edges[beats] + late * length], axis=1).ravel()
    straight = np.stack([edges[beats], edges[beats] + 0.5 * length], axis=1).ravel()
    bar = np.repeat(bar_of_beat[beats], 2)
    asynchrony, errors = _asynchronies(track, player, rng, straight, bar)
    offset = asynchrony + player.mean_ms
    rows: list[tuple[float, float, str, int, float]] = []
    n_missed = 0
    for k in range(len(nominal)):
        count = int(track.bars.count[beats[k // 2]])
        kinds = ["hat"]
        if k % 2 == 0:
            kinds.append("kick" if count % 2 else "snare")
        for kind in kinds:
            if rng.random() < player.missed:
                n_missed += 1
                continue
            own = offset[k] + player.kind_ms[kind]
            level = {"hat": 70, "kick": 100, "snare": 105}[kind] + rng.normal(0, 5)
            rows.append((nominal[k], own, kind, int(bar[k]), float(np.clip(level, 1, 127))))
    played = np.array([row[0] + row[1] / 1000 for row in rows])
    kinds_played = [row[2] for row in rows]
    levels = [row[4] for row in rows]
    # In the middle between two places: nearer to one an extra note may be a note that was meant.
    wide = np.flatnonzero(np.diff(nominal) > 0.21)
    n_extra = rng.binomial(len(rows), player.extra) if len(wide) else 0
    chosen = rng.choice(wide, n_extra) if n_extra else np.zeros(0, np.int64)
    room = np.diff(nominal)[chosen] / 2 - 0.1
    between = (nominal[chosen] + nominal[chosen + 1]) / 2 + offset[chosen] / 1000 + rng.uniform(-1, 1, n_extra) * room
    all_s = np.r_[played, between]
    all_kinds = kinds_played + ["tom"] * n_extra
    all_levels = np.r_[levels, np.full(n_extra, 80.0)]
    take_s = (all_s + latency_ms / 1000 - starts_at_s) * (1 + 1e-6 * clock_ppm)
    keep = take_s >= 0
    order = np.flatnonzero(keep)[np.argsort(take_s[keep], kind="stable")]
    hits = TakeHits(
        take_s[order],
        tuple(all_kinds[i] for i in order),
        all_levels[order],
        "velocity",
        float(take_s.max() + 1.0),
        "midi",
    )
    return Simulated(
        hits,
        np.array([row[0] for row in rows]),
        np.array([row[1] for row in rows]),
        tuple(kinds_played),
        np.array([row[3] for row in rows]),
        starts_at_s,
        clock_ppm,
        n_missed,
        int(n_extra),
        errors,
    )


def _asynchronies(
    track: Analysis, player: Player, rng: np.random.Generator, nominal: FloatArray, bar: NDArray[np.int64]
) -> tuple[FloatArray, tuple[float, ...]]:
    """(n,) asynchronies of the strokes in ms, and the error with which each alone stretch was left."""
    n = len(nominal)
    alone = np.zeros(n, np.bool_)
    for stretch in track.alone:
        alone |= (bar >= stretch.first_bar) & (bar <= stretch.last_bar)
    per_bar = 2 * track.bars.usual_beats
    a = np.zeros(n)
    true_a = 0.0
    period = 0.0
    planned = np.zeros(0)
    errors = []
    motor_before = 0.0
    for k in range(n):
        motor = rng.normal(0, player.motor_ms)
        timekeeper = rng.normal(0, player.timekeeper_ms)
        leaving = False
        if alone[k]:
            step = player.drift_ms_per_bar / per_bar
            if k + 1 < n and not alone[k + 1]:
                leaving = True
                period = 0.0
        else:
            step = 0.0
            if len(planned):
                step, planned = float(planned[0]), planned[1:]
        if player.white_noise:
            true_a += step
            a[k] = true_a + motor
            if leaving:
                errors.append(true_a)
                planned = _plan(player, true_a, per_bar, rng)
            continue
        gain = 0.0 if alone[k] or (len(planned) and player.correction != "model") else player.phase_gain
        before = a[k - 1] if k else 0.0
        period -= (player.period_gain if gain else 0.0) * before
        a[k] = before + period - gain * before + step + timekeeper + motor - motor_before
        motor_before = motor
        if leaving:
            errors.append(float(a[k] - motor))
            planned = _plan(player, errors[-1], per_bar, rng)
    return a, tuple(errors)


def _plan(player: Player, error: float, per_bar: int, rng: np.random.Generator) -> FloatArray:
    """Steps in ms, note by note, that take an error back."""
    if player.correction == "even":
        n = per_bar * player.correction_bars
        return np.full(n, -error / n)
    if player.correction == "jump":
        steps = np.zeros(per_bar * player.correction_bars)
        steps[rng.integers(0, len(steps))] = -error
        return steps
    return np.zeros(0)
