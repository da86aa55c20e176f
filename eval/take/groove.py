"""Human performances to a click (Groove MIDI): the review against plain arithmetic, as notes and as sound.

They are read from PULSEFIND_DATA, or ../shared/data beside the project; where neither is there, that is said.
"""

from __future__ import annotations

import csv
import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval import ROOT
from eval.take.kit_sound import RATE_HZ, render
from eval.take.simulation import make_track
from eval.take.tables import table
from eval.train.ingredients import HELD_OUT_DRUMMERS
from eval.train.take_ingredients import measured_performances
from pulsefind.core.records import Analysis
from pulsefind.listen.audio import from_samples
from pulsefind.take.midi import read_midi_take
from pulsefind.take.records import Review, TakeError, TakeHits
from pulsefind.take.review import review_take
from pulsefind.take.strokes import strokes_heard

HERE, SONG = Path("take.mid"), Path("made.wav")
_AUDIO_SKIPPED = "Groove MIDI as sound: skipped, no folder groove_midi in PULSEFIND_DATA or ../shared/data\n"
_UNHEARD_SEED, _UNHEARD_LONGEST_S = 99, 100.0  # judged: which are drawn, and so much of each


def groove_folder() -> Path | None:
    """Where the Groove MIDI performances lie, if they do."""
    for base in (os.environ.get("PULSEFIND_DATA"), ROOT / ".." / "shared" / "data"):
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
    share = review.timing.whole.n / len(hits.time_s)
    return review.timing.whole.offset_ms - mean, review.timing.whole.spread_ms - spread, share


def arithmetic(hits: TakeHits, track: Analysis, review: Review) -> tuple[float, float]:
    """Mean and spread by a few lines of their own: every note against the nearest place of the click.

    The subdivision is the one that the review names. Of several notes of one drum within 45 ms the loudest counts; each
    place and drum takes its nearest note, after the median offset has been taken off.
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
            run = next(
                (r for r in review.strokes.grid if int((t - median_s) / bar_s) <= r.last_bar), review.strokes.grid[-1]
            )
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
    return _AUDIO_SKIPPED if folder is None else _groove_audio(performances(folder, n or 40, seed=1), np.inf)


def groove_unheard(n: int) -> str:
    """The same of others, measured or fitted to nowhere else, by drummers of whom no network has heard a note."""
    folder = groove_folder()
    if folder is None:
        return _AUDIO_SKIPPED
    elsewhere = measured_performances()
    drawn = [(row[0].relative_to(folder).as_posix(), row) for row in performances(folder, 900, seed=_UNHEARD_SEED)]
    unheard = [row for name, row in drawn if name not in elsewhere and name.split("/")[0] in HELD_OUT_DRUMMERS]
    return _groove_audio(unheard[: n or 24], _UNHEARD_LONGEST_S)


def _groove_audio(chosen: list[tuple[Path, float, int, int]], longest_s: float) -> str:
    """What becomes of performances as sound, the first longest_s seconds of each."""
    rows = []
    for index, (path, bpm, beats, unit) in enumerate(chosen):
        hits = _begun(read_midi_take(path), longest_s)
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


def _begun(hits: TakeHits, longest_s: float) -> TakeHits:
    if hits.duration_s <= longest_s:
        return hits
    n = int(np.searchsorted(hits.time_s, longest_s))
    return replace(hits, time_s=hits.time_s[:n], kind=hits.kind[:n], level=hits.level[:n], duration_s=longest_s)


def audio_difference(
    hits: TakeHits, track: Analysis, rng: np.random.Generator
) -> tuple[float, float, float, float, float]:
    """strokes_difference of the hits as sound, on the kit made by code."""
    return strokes_difference(hits, track, strokes_heard(from_samples(render(hits, rng), RATE_HZ)))


def strokes_difference(
    hits: TakeHits, track: Analysis, from_sound: TakeHits
) -> tuple[float, float, float, float, float]:
    """Sound less MIDI: mean and spread; shares of strokes matched in both, only heard, and of equal kinds."""
    by_midi = review_take(track, hits, HERE, SONG, starts_at_s=0.0)
    by_sound = review_take(track, from_sound, HERE, SONG, starts_at_s=0.0)
    strokes = strokes_of(by_midi.strokes.played.time_s)
    heard = np.unique(by_sound.strokes.played.time_s)
    notes = by_midi.strokes.played.time_s
    found = float(np.mean([min(np.min(np.abs(heard - t)) for t in stroke) <= 0.025 for stroke in strokes]))
    false = float(np.mean([np.min(np.abs(notes - t)) > 0.025 for t in heard]))
    agree = []
    kinds = np.array([("cymbal" if k == "hat" else k) for k in by_midi.strokes.played.kind])
    for t, kind in zip(by_sound.strokes.played.time_s, by_sound.strokes.played.kind, strict=True):
        near = np.abs(by_midi.strokes.played.time_s - t) <= 0.025
        if near.any():
            agree.append(kind in kinds[near])
    return (
        by_sound.timing.whole.offset_ms - by_midi.timing.whole.offset_ms,
        by_sound.timing.whole.spread_ms - by_midi.timing.whole.spread_ms,
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
