"""Measures the take review: `python -m eval.take [PART ...]`, parts sim, even, align, groove, audio (all by default).

The part example prints the review that stands in the README.

Simulated players have known truth (eval/take_sim.py). The Groove MIDI part reads human performances from
PULSEFIND_DATA, or ../shared/data beside the project, and is skipped, with that reason, where neither is there.
"""

from __future__ import annotations

import argparse
import csv
import os
import re
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.take_sim import Player, Simulated, make_track, simulate_take
from eval.take_sound import RATE_HZ, add_leak, render
from pulsefind.analysis import analyse
from pulsefind.core.records import Analysis
from pulsefind.demo import make_song
from pulsefind.listen.audio import from_samples
from pulsefind.take.alignment import align
from pulsefind.take.midi import read_midi_take
from pulsefind.take.records import Alignment, Review, TakeError, TakeHits
from pulsefind.take.report import review_report
from pulsefind.take.review import review_take
from pulsefind.take.strokes import find_strokes

HERE, SONG = Path("take.mid"), Path("made.wav")


def main() -> None:
    """Run the parts named on the command line and print their tables."""
    parts = {"sim": simulated, "even": even_or_jump, "align": alignment, "groove": groove, "audio": groove_audio}
    shown = parts | {"example": example}
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("part", nargs="*", choices=[*shown, []], help="which parts; all measurements if none is named")
    parser.add_argument("--takes", type=int, default=0, help="how many takes a part uses, if not its own number")
    chosen = parser.parse_args()
    for name in chosen.part or parts:
        print(shown[name](chosen.takes), flush=True)


def table(title: str, head: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """A plain table."""
    cells = [head, *[tuple(_cell(v) for v in row) for row in rows]]
    width = [max(len(row[k]) for row in cells) for k in range(len(head))]
    lines = [
        "  ".join(text.rjust(w) if k else text.ljust(w) for k, (text, w) in enumerate(zip(row, width, strict=True)))
        for row in cells
    ]
    return "\n".join([title, *lines, ""])


def _cell(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else str(value)


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
    review = review_take(named, find_strokes(heard), Path("take1.wav"), Path("song.flac"), track, heard)
    return review_report(review)


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
        ("mean offset, ms", review.whole.offset_ms - float(take.offset_ms.mean())),
        ("spread, ms", review.whole.spread_ms - float(take.offset_ms.std())),
        ("missed notes", float(len(review.missed) - take.n_missed)),
        ("extra notes", float(sum(s.reason == "extra" for s in review.strays) - take.n_extra)),
        ("hits matched, %", 100.0 * (review.whole.n - len(kinds)) / len(kinds)),
    ]
    for kind in ("kick", "snare", "hat"):
        found = review.kinds.get(kind)
        if found is not None:
            rows.append((f"mean of the {kind}, ms", found.offset_ms - float(take.offset_ms[kinds == kind].mean())))
    for place in review.places:
        if place.kind == "hat" and place.place == "2&":
            within = np.isclose(_phase(track, take), 1 + player.swing_ratio / (1 + player.swing_ratio), atol=0.02)
            member = within & (kinds == "hat")
            rows.append(("mean of the hat on 2&, ms", place.offsets.offset_ms - float(take.offset_ms[member].mean())))
    for section in review.swing[:1]:
        rows.append(("swing ratio", section.player_ratio - player.swing_ratio))
    for drift, stretch in zip(review.drifts, track.alone, strict=False):
        member = (take.bar >= stretch.first_bar) & (take.bar <= stretch.last_bar)
        bar_s = (stretch.end_s - stretch.start_s) / (stretch.last_bar - stretch.first_bar + 1)
        slope = float(np.polyfit(take.nominal_s[member] / bar_s, take.offset_ms[member], 1)[0])
        rows.append(("drift alone, ms per bar", drift.ms_per_bar - slope))
        rows.append(("tempo alone, bpm", drift.player_bpm - drift.track_bpm / (1 + slope / 1000 / bar_s)))
    if len(review.drifts) == len(take.error_after_alone_ms):
        for drift, error in zip(review.drifts, take.error_after_alone_ms, strict=True):
            rows.append(("where the stretch ended, ms", drift.end_offset_ms - error))
    for correction in review.corrections:
        nearest = min(take.error_after_alone_ms, key=lambda e: abs(e + correction.size_ms))
        if correction.cause == "alone" and player.correction in ("even", "jump"):
            name = "spread share of an even correction" if player.correction == "even" else "spread share of a jump"
            rows.append((name, correction.spread_share - (1.0 if player.correction == "even" else 0.0)))
            rows.append(("size taken back, ms", abs(correction.size_ms) - abs(nearest)))
            rows.append(("bars of a correction", float(correction.bars - 1)))
    if review.gains is not None:
        rows.append(("phase gain", review.gains.phase_gain - player.phase_gain))
        if review.gains.period_gain is not None:
            rows.append(("period gain", review.gains.period_gain - player.period_gain))
        rows.append(("timekeeper, ms", review.gains.timekeeper_sd_ms - player.timekeeper_ms))
        rows.append(("motor, ms", review.gains.motor_sd_ms - player.motor_ms))
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
    after = [c for c in review.corrections if c.cause == "alone"]
    return after[0].spread_share if after else None


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


def groove_folder() -> Path | None:
    """Where the Groove MIDI performances lie, if they do."""
    for base in (os.environ.get("PULSEFIND_DATA"), Path(__file__).resolve().parents[1] / ".." / "shared" / "data"):
        if base and (Path(base) / "groove_midi" / "info.csv").is_file():
            return Path(base) / "groove_midi"
    return None


def performances(folder: Path, n: int, seed: int = 0, longest_s: float = 200.0) -> list[tuple[Path, float, int, int]]:
    """(file, bpm, beats, unit) of performances of 20 s or more, drawn at random."""
    with (folder / "info.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["beat_type"] == "beat"]
    usable = [row for row in rows if 20 <= float(row["duration"]) <= longest_s]
    order = np.random.default_rng(seed).permutation(len(usable))
    found = []
    for k in order:
        row = usable[k]
        meter = re.fullmatch(r"(\d+)-(\d+)", row["time_signature"])
        if meter is None or not (folder / row["midi_filename"]).is_file():
            continue
        found.append((folder / row["midi_filename"], float(row["bpm"]), int(meter[1]), int(meter[2])))
        if len(found) == n:
            break
    return found


def click_track(bpm: float, beats: int, unit: int, length_s: float) -> Analysis:
    """The click that a performance was played to. The files count quarters; an eighth is half of one."""
    pulse = bpm * unit / 4
    return make_track(pulse, int(np.ceil((length_s + 1) * pulse / 60 / beats)) + 1, beats, lead_s=0.0)


def groove(n: int) -> str:
    """Human performances to a click: the review against plain arithmetic on the MIDI notes."""
    folder = groove_folder()
    if folder is None:
        return "Groove MIDI: skipped, no folder groove_midi in PULSEFIND_DATA or ../shared/data\n"
    differences = []
    skipped = 0
    for path, bpm, beats, unit in performances(folder, n or 120):
        hits = read_midi_take(path)
        track = click_track(bpm, beats, unit, hits.duration_s)
        try:
            review = review_take(track, hits, path, SONG, starts_at_s=0.0)
        except TakeError:
            skipped += 1
            continue
        differences.append(groove_difference(hits, track, review))
    return _groove_table(differences, skipped)


def groove_difference(hits: TakeHits, track: Analysis, review: Review) -> tuple[float, float, float]:
    """Review less arithmetic: mean, spread, and the share of notes that found a place."""
    mean, spread = arithmetic(hits, track, review)
    share = review.whole.n / len(hits.time_s)
    return review.whole.offset_ms - mean, review.whole.spread_ms - spread, share


def arithmetic(hits: TakeHits, track: Analysis, review: Review) -> tuple[float, float]:
    """Mean and spread by a few lines of their own: every note against the nearest place of the click.

    The subdivision is the one that the review names. Of notes of one drum within 45 ms the loudest counts, a place
    and drum is taken by the nearest note, and "nearest" is meant after the median offset is taken off.
    """
    beat_s = float(track.beats.time_s[1] - track.beats.time_s[0])
    bar_s = beat_s * int(track.bars.beats_per_bar[0])
    notes = []
    for kind in set(hits.kind):
        group: list[tuple[float, float]] = []
        for t, k, level in zip(
            hits.time_s / (1 + 1e-6 * review.alignment.clock_ppm), hits.kind, hits.level, strict=True
        ):
            if k != kind:
                continue

            if group and t - group[-1][0] < 0.045:
                group[-1] = max(group[-1], (float(t), float(level)), key=lambda note: note[1])
            else:
                group.append((float(t), float(level)))
        notes += [(t, kind) for t, _ in group]
    median_s = 0.0
    for _ in range(5):
        taken: dict[tuple[str, int], float] = {}
        for t, kind in notes:
            run = next((r for r in review.grid if int((t - median_s) / bar_s) <= r.last_bar), review.grid[-1])
            n, late = run.slots_per_beat, run.swing_ratio / (1 + run.swing_ratio)
            within = [k / n if k % 2 == 0 or n % 2 else (k - 1 + 2 * late) / n for k in range(n)] + [1.0]
            beat = np.floor((t - median_s) / beat_s)
            place = min(((beat + w) * beat_s for w in within), key=lambda p: abs(t - median_s - p))
            key = (kind, round(place * 1e6))
            if abs(t - median_s - place) <= 0.09 and abs(t - median_s - place) < abs(taken.get(key, np.inf) - median_s):
                taken[key] = t - place
        median_s = float(np.median(list(taken.values())))
    offset = 1000 * np.array(list(taken.values()))
    return float(offset.mean()), float(offset.std())


def _groove_table(differences: list[tuple[float, float, float]], skipped: int) -> str:
    d = np.array(differences)
    within = np.abs(d[:, :2]) <= 1.0
    rows: list[tuple[object, ...]] = [
        ("mean offset, ms", len(d), int(within[:, 0].sum()), float(d[:, 0].mean()), float(np.abs(d[:, 0]).max())),
        ("spread, ms", len(d), int(within[:, 1].sum()), float(d[:, 1].mean()), float(np.abs(d[:, 1]).max())),
        ("both", len(d), int(within.all(axis=1).sum()), "", ""),
    ]
    title = (
        f"Groove MIDI ({len(d)} performances, {skipped} not reviewed; {100 * d[:, 2].mean():.1f} % of notes on places)"
    )
    return table(title, ("review less arithmetic", "n", "within 1 ms", "mean", "largest"), rows)


def groove_audio(n: int) -> str:
    """The same performances rendered to sound and reviewed as sound, against their MIDI review."""
    folder = groove_folder()
    if folder is None:
        return "Groove MIDI as sound: skipped, no folder groove_midi in PULSEFIND_DATA or ../shared/data\n"
    rows = []
    for index, (path, bpm, beats, unit) in enumerate(performances(folder, n or 40, seed=1)):
        hits = read_midi_take(path)
        track = click_track(bpm, beats, unit, hits.duration_s)
        try:
            rows.append(audio_difference(hits, track, np.random.default_rng(index)))
        except TakeError:
            continue
    d = np.array(rows)
    good = (np.abs(d[:, 0]) <= 3) & (np.abs(d[:, 1]) <= 2) & (d[:, 2] >= 0.97)
    lines: list[tuple[object, ...]] = [
        (
            "mean offset, ms",
            len(d),
            int((np.abs(d[:, 0]) <= 3).sum()),
            float(d[:, 0].mean()),
            float(np.abs(d[:, 0]).max()),
        ),
        ("spread, ms", len(d), int((np.abs(d[:, 1]) <= 2).sum()), float(d[:, 1].mean()), float(np.abs(d[:, 1]).max())),
        (
            "strokes matched, %",
            len(d),
            int((d[:, 2] >= 0.97).sum()),
            100 * float(d[:, 2].mean()),
            100 * float(d[:, 2].min()),
        ),
        ("strokes only heard, %", len(d), "", 100 * float(d[:, 3].mean()), 100 * float(d[:, 3].max())),
        ("kinds agree, %", len(d), "", 100 * float(d[:, 4].mean()), 100 * float(d[:, 4].min())),
        ("all three", len(d), int(good.sum()), 0.0, 0.0),
    ]
    return table(
        "Groove MIDI as sound, less its MIDI review (3 ms, 2 ms, 97 %)", ("", "n", "within", "mean", "worst"), lines
    )


def audio_difference(
    hits: TakeHits, track: Analysis, rng: np.random.Generator
) -> tuple[float, float, float, float, float]:
    """Sound less MIDI: mean and spread; share of strokes matched in both, of strokes only heard, of equal kinds."""
    sound = from_samples(render(hits, rng), RATE_HZ)
    by_midi = review_take(track, hits, HERE, SONG, starts_at_s=0.0)
    by_sound = review_take(track, find_strokes(sound), HERE, SONG, starts_at_s=0.0)
    strokes = strokes_of(by_midi.played.time_s)
    heard = np.unique(by_sound.played.time_s)
    notes = by_midi.played.time_s
    found = float(np.mean([min(np.min(np.abs(heard - t)) for t in stroke) <= 0.025 for stroke in strokes]))
    false = float(np.mean([np.min(np.abs(notes - t)) > 0.025 for t in heard]))
    agree = []
    kinds = np.array([("cymbal" if k == "hat" else k) for k in by_midi.played.kind])
    for t, kind in zip(by_sound.played.time_s, by_sound.played.kind, strict=True):
        near = np.abs(by_midi.played.time_s - t) <= 0.025
        if near.any():
            agree.append(kind in kinds[near])
    return (
        by_sound.whole.offset_ms - by_midi.whole.offset_ms,
        by_sound.whole.spread_ms - by_midi.whole.spread_ms,
        found,
        false,
        float(np.mean(agree)),
    )


def strokes_of(time_s: NDArray[np.float64]) -> list[list[float]]:
    """Notes joined to strokes: what follows the first note of a stroke within 30 ms is one sound with it."""
    strokes: list[list[float]] = []
    for t in time_s.tolist():
        if strokes and t - strokes[-1][0] <= 0.03:
            strokes[-1].append(t)
        else:
            strokes.append([t])
    return strokes


if __name__ == "__main__":
    main()
