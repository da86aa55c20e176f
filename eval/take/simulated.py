"""The review against the truth of simulated players: gains, errors, drifts, corrections; and the README's example."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.take.kit_sound import RATE_HZ, add_leak, render
from eval.take.simulation import Player, Simulated, make_track, simulate_take
from eval.take.tables import table
from pulsefind.analysis import analyse
from pulsefind.core.records import Analysis
from pulsefind.demo import make_song
from pulsefind.listen.audio import from_samples
from pulsefind.take.records import Review
from pulsefind.take.review import review_take
from pulsefind.take.strokes import strokes_heard
from pulsefind.take.verdict import verdict

HERE, SONG = Path("take.mid"), Path("made.wav")


def example(n: int) -> str:
    """The review of a simulated take of the demo song, its sound made by code, the track heard in it at -22 dB."""
    music, _song = make_song()
    track = from_samples(music, RATE_HZ)
    analysis = analyse(track)
    rng = np.random.default_rng(4)
    player = Player(
        phase_gain=0.4,
        timekeeper_ms=6.0,
        motor_ms=3.0,
        mean_ms=-6.0,
        kind_ms={"kick": -6.0, "snare": 4.0, "hat": 0.0},
        drift_ms_per_bar=-22.0,
        correction="jump",
        missed=0.01,
    )
    take = simulate_take(analysis, player, rng, starts_at_s=-1.4, clock_ppm=60.0)
    heard = from_samples(add_leak(render(take.hits, rng), track.samples, -1.4, 60.0, -22.0, rng), RATE_HZ)
    named = replace(analysis, track=replace(analysis.track, name="song.flac"))
    review = review_take(named, strokes_heard(heard), Path("take1.wav"), Path("song.flac"), track, heard)
    return verdict(review, details=True)


def random_player(rng: np.random.Generator) -> Player:
    """A player within what is published of people: gains 0.1 to 0.7, noises of 3 to 10 and 2 to 5 ms."""
    return Player(
        phase_gain=float(rng.uniform(0.15, 0.7)),
        period_gain=float(rng.choice([0.0, 0.05])),
        timekeeper_ms=float(rng.uniform(4, 9)),
        motor_ms=float(rng.uniform(2, 4)),
        mean_ms=float(rng.uniform(-20, 20)),
        kind_ms={"kick": float(rng.uniform(-8, 8)), "snare": float(rng.uniform(-8, 8)), "hat": 0.0},
        swing_ratio=float(rng.choice([1.0, 1.0, 1.5, 1.8])),
        drift_ms_per_bar=float(rng.uniform(-25, 25)),
        correction=str(rng.choice(["even", "jump", "model"])),
        missed=0.03,
        extra=0.02,
    )


def simulated_pair(seed: int, known_start: bool) -> tuple[Analysis, Player, Simulated, float, Review]:
    """One simulated take of 64 bars, reviewed with or without its start."""
    rng = np.random.default_rng(seed)
    player = random_player(rng)
    track = make_track(
        float(rng.uniform(80, 140)),
        64,
        swing_ratio=player.swing_ratio,
        alone=((20, 23), (44, 47)),
        wander_percent=0.5,
        breaks=(15, 31),
        seed=seed,
    )
    latency_ms = float(rng.uniform(0, 60))
    take = simulate_take(
        track,
        player,
        rng,
        starts_at_s=float(rng.uniform(-4, 0)),
        latency_ms=latency_ms,
        clock_ppm=float(rng.uniform(-200, 200)),
    )
    start = take.starts_at_s if known_start else None
    review = review_take(
        track, take.hits, HERE, SONG, starts_at_s=start, latency_ms=latency_ms if known_start else None
    )
    return track, player, take, latency_ms, review


def simulated(n: int) -> str:
    """Bias and spread of every reported number, against the truth, over simulated takes with a known start."""
    errors: dict[str, list[float]] = defaultdict(list)
    for seed in range(n or 200):
        track, player, take, _, review = simulated_pair(seed, known_start=True)
        for name, value in _errors(track, player, take, review):
            errors[name].append(value)
    rows: list[tuple[object, ...]] = []
    for name, values in errors.items():
        v = np.array(values)
        rows.append((name, len(v), float(v.mean()), float(v.std()), float(np.percentile(np.abs(v), 95))))
    return table(
        f"Simulated takes ({n or 200}, start and latency given): reported less true",
        ("number", "n", "bias", "spread", "95 % of |error|"),
        rows,
    )


def _errors(track: Analysis, player: Player, take: Simulated, review: Review) -> list[tuple[str, float]]:
    kinds = np.array(take.kind)
    alone = np.zeros(len(take.bar), np.bool_)
    for stretch in track.alone:
        alone |= (take.bar >= stretch.first_bar) & (take.bar <= stretch.last_bar)
    rows = [
        ("clock, millionths", review.alignment.clock_ppm - take.clock_ppm),
        ("mean offset, ms", review.timing.whole.offset_ms - float(take.offset_ms.mean())),
        ("spread, ms", review.timing.whole.spread_ms - float(take.offset_ms.std())),
        ("missed notes", float(len(review.strokes.missed) - take.n_missed)),
        ("extra notes", float(sum(s.reason == "extra" for s in review.strokes.strays) - take.n_extra)),
        ("hits matched, %", 100.0 * (review.timing.whole.n - len(kinds)) / len(kinds)),
    ]
    for kind in ("kick", "snare", "hat"):
        found = review.timing.kinds.get(kind)
        if found is not None:
            rows.append((f"mean of the {kind}, ms", found.offset_ms - float(take.offset_ms[kinds == kind].mean())))
    for place in review.timing.places:
        if place.kind == "hat" and place.place == "2&":
            within = np.isclose(_phase(track, take), 1 + player.swing_ratio / (1 + player.swing_ratio), atol=0.02)
            member = within & (kinds == "hat")
            rows.append(("mean of the hat on 2&, ms", place.offsets.offset_ms - float(take.offset_ms[member].mean())))
    for section in review.movement.swing[:1]:
        rows.append(("swing ratio", section.player_ratio - player.swing_ratio))
    for drift, stretch in zip(review.movement.drifts, track.alone, strict=False):
        member = (take.bar >= stretch.first_bar) & (take.bar <= stretch.last_bar)
        bar_s = (stretch.end_s - stretch.start_s) / (stretch.last_bar - stretch.first_bar + 1)
        slope = float(np.polyfit(take.nominal_s[member] / bar_s, take.offset_ms[member], 1)[0])
        rows.append(("drift alone, ms per bar", drift.ms_per_bar - slope))
        rows.append(("tempo alone, bpm", drift.player_bpm - drift.track_bpm / (1 + slope / 1000 / bar_s)))
    if len(review.movement.drifts) == len(take.error_after_alone_ms):
        for drift, error in zip(review.movement.drifts, take.error_after_alone_ms, strict=True):
            rows.append(("where the stretch ended, ms", drift.end_offset_ms - error))
    for correction in review.movement.corrections:
        nearest = min(take.error_after_alone_ms, key=lambda e: abs(e + correction.size_ms))
        if correction.cause == "alone" and player.correction in ("even", "jump"):
            name = "spread share of an even correction" if player.correction == "even" else "spread share of a jump"
            rows.append((name, correction.spread_share - (1.0 if player.correction == "even" else 0.0)))
            rows.append(("size taken back, ms", abs(correction.size_ms) - abs(nearest)))
            rows.append(("bars of a correction", float(correction.bars - 1)))
    if review.movement.gains is not None:
        rows.append(("phase gain", review.movement.gains.phase_gain - player.phase_gain))
        if review.movement.gains.period_gain is not None:
            rows.append(("period gain", review.movement.gains.period_gain - player.period_gain))
        rows.append(("timekeeper, ms", review.movement.gains.timekeeper_sd_ms - player.timekeeper_ms))
        rows.append(("motor, ms", review.movement.gains.motor_sd_ms - player.motor_ms))
    return rows


def _phase(track: Analysis, take: Simulated) -> NDArray[np.float64]:
    """Position of every note in its bar, in beats."""
    edges = np.r_[track.beats.time_s, track.bars.end_s]
    beat = np.clip(np.searchsorted(edges, take.nominal_s + 1e-9, side="right") - 1, 0, len(edges) - 2)
    within = (take.nominal_s - edges[beat]) / (edges[beat + 1] - edges[beat])
    position: NDArray[np.float64] = track.bars.count[beat] - 1 + within
    return position


def even_or_jump(n: int) -> str:
    """How often an even correction and a jump of the same size, at 10 ms noise, are told apart."""
    rows: list[tuple[object, ...]] = []
    for size in (40.0, 60.0, 80.0, 120.0, 200.0):
        right = found = 0
        shares: dict[str, list[float]] = {"even": [], "jump": []}
        for seed in range(n or 100):
            kind = "even" if seed % 2 else "jump"
            share = corrected_share(seed, kind, size)
            if share is None:
                continue
            found += 1
            shares[kind].append(share)
            right += (share >= 0.5) == (kind == "even")
        rows.append((size, n or 100, found, right, float(np.mean(shares["even"])), float(np.mean(shares["jump"]))))
    return table(
        "Even or jump after 4 bars alone, 10 ms noise on every note, size taken back in one bar",
        ("size, ms", "takes", "found", "told right", "share, even", "share, jump"),
        rows,
    )


def corrected_share(seed: int, kind: str, size_ms: float) -> float | None:
    """The spread share reported of one correction of a known size and kind; None if it wasn't reported."""
    rng = np.random.default_rng(seed)
    track = make_track(float(rng.uniform(80, 130)), 24, alone=((10, 13),), seed=seed)
    sign = float(rng.choice([-1, 1]))
    player = Player(
        motor_ms=10.0, white_noise=True, drift_ms_per_bar=sign * size_ms / 4, correction=kind, correction_bars=1
    )
    take = simulate_take(track, player, rng)
    review = review_take(track, take.hits, HERE, SONG, starts_at_s=0.0)
    after = [c for c in review.movement.corrections if c.cause == "alone"]
    return after[0].spread_share if after else None
