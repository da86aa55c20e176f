"""Strokes found in takes of real players against the annotations of their drums.

A set of songs holds `drums/<id>.txt`, a time and a class a line; the takes' set the same names. Toms are counted with
snares and hats with cymbals, as the review names strokes by sound.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import mir_eval
import numpy as np

from eval.sets.annotations import read_drums
from eval.take.tables import table
from pulsefind.core.records import FloatArray
from pulsefind.take.records import TakeHits
from pulsefind.take.strokes import read_take

WITHIN_S = 0.03
"""A stroke is found when one is heard this near: the window of published drum transcription is 30 or 50 ms."""

KIND_OF_CLASS = {"KD": "kick", "SD": "snare", "TT": "snare", "HH": "cymbal", "CY": "cymbal"}
KINDS = ("kick", "snare", "cymbal")

FRAME_S, _ROUNDED_S = 0.01, 6e-5
"""Times on whole steps of 10 ms were read off frames, which says no more than which frame it was; a time between them
was set by hand. Times are written to a tenth of a millisecond.
"""


@dataclass(frozen=True, slots=True)
class Found:
    """Strokes of one kind in one take: annotated, heard, both (one to one), and the mean of heard less annotated.

    by_hand and by_hand_ms: how many of both were annotated between two frames, and the mean of those.
    """

    name: str
    kind: str
    annotated: int
    heard: int
    both: int
    offset_ms: float
    by_hand: int
    by_hand_ms: float


def struck(takes: Path, songs: Path) -> Iterator[Found]:
    """Every take of a set, kind by kind."""
    for path in sorted((takes / "audio").iterdir()):
        annotation = songs / "drums" / f"{path.stem}.txt"
        if path.is_file() and annotation.is_file():
            hits, _ = read_take(path)
            yield from compared(path.stem, hits, read_drums(annotation, hits.duration_s))


def compared(name: str, hits: TakeHits, annotated: dict[str, FloatArray]) -> Iterator[Found]:
    """Strokes against annotated times by class; classes that are none of KIND_OF_CLASS are left out."""
    kinds = np.array(hits.kind, dtype=str)
    for kind in KINDS:
        rows = [times for drum, times in annotated.items() if KIND_OF_CLASS.get(drum) == kind]
        true_s = np.unique(np.concatenate(rows)) if rows else np.zeros(0)
        heard_s = np.unique(hits.time_s[kinds == kind])
        pairs = mir_eval.util.match_events(true_s, heard_s, WITHIN_S)
        off_ms = np.array([1000 * (heard_s[heard] - true_s[true]) for true, heard in pairs])
        fine_ms = off_ms[[_by_hand(true_s[true]) for true, _ in pairs]] if pairs else off_ms
        yield Found(name, kind, len(true_s), len(heard_s), len(pairs), _mean(off_ms), len(fine_ms), _mean(fine_ms))


def _by_hand(time_s: float) -> bool:
    return abs(time_s - FRAME_S * round(time_s / FRAME_S)) > _ROUNDED_S


def _mean(values: FloatArray) -> float:
    return float(values.mean()) if len(values) else 0.0


def f_of(found: list[Found]) -> float:
    """F over some kinds or takes together; 0 where there is nothing."""
    n = sum(row.annotated + row.heard for row in found)
    return 2 * sum(row.both for row in found) / n if n else 0.0


def struck_table(found: list[Found]) -> str:
    """A row for every take and kind, one for each take, and one for all, as Markdown."""
    rows: list[tuple[object, ...]] = []
    for name in dict.fromkeys(row.name for row in found):
        mine = [row for row in found if row.name == name]
        for row in mine:
            rows.append(
                (name, row.kind, row.annotated, row.heard, f_of([row]), row.offset_ms, row.by_hand, row.by_hand_ms)
            )
        rows.append((name, "all", sum(r.annotated for r in mine), sum(r.heard for r in mine), f_of(mine), "", "", ""))
    if found:
        rows.append(
            ("all", "all", sum(r.annotated for r in found), sum(r.heard for r in found), f_of(found), "", "", "")
        )
    head = (
        "take",
        "kind",
        "annotated",
        "heard",
        "F within 30 ms",
        "heard less annotated, ms",
        "of these by hand",
        "ms",
    )
    return table("Strokes against the annotations", head, rows)
