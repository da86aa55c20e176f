"""Does "90 % sure" mean right nine times in ten? Stated probabilities against the annotation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

Entry = dict[str, Any]

BINS = (0.0, 0.5, 0.7, 0.9, 1.0)
QUESTIONS = {"one": "the 1", "half": "the half of the beat", "octave": "the tempo octave"}

_OTHER_OCTAVE = ("double", "half", "half, on the even beats", "triple", "third")


@dataclass(frozen=True, slots=True)
class Row:
    """Of the tracks with a stated probability from low to high: how many, the mean of it, and how many were right."""

    question: str
    low: float
    high: float
    n: int
    stated: float
    right: int


def right(question: str, own: Entry) -> bool | None:
    """Was a system right about the 1, the beat phase or the octave? None where the question doesn't apply.

    A 1 is right only in the right meter, and the beat phase is asked only if the octave is right.
    """
    if question == "one":
        return None if own["one_kind"] in (None, "unknown") else own["one_kind"] == "right"
    known = {"right": True, "off-beat": question == "octave"}
    if question == "octave":
        known |= dict.fromkeys(_OTHER_OCTAVE, False)
    return known.get(own["beat_kind"])


def reliability(entries: Iterable[Entry], system: str) -> list[Row]:
    """The rows of all questions, without empty bins."""
    answered = [own for entry in entries if (own := entry["systems"].get(system)) and own.get("sure")]
    rows = []
    for question in QUESTIONS:
        told = [(own["sure"][question], verdict) for own in answered if (verdict := right(question, own)) is not None]
        for low, high in pairwise(BINS):
            inside = [(p, verdict) for p, verdict in told if low <= p < high or p == high == BINS[-1]]
            if inside:
                mean = sum(p for p, _ in inside) / len(inside)
                rows.append(Row(question, low, high, len(inside), mean, sum(verdict for _, verdict in inside)))
    return rows


def cells(rows: Sequence[Row]) -> list[list[str]]:
    """The rows as text for a table: question, what was said, its mean, and how many were right."""
    return [
        [
            QUESTIONS[row.question],
            f"{100 * row.low:.0f} to {100 * row.high:.0f}",
            f"{100 * row.stated:.0f}",
            f"{100 * row.right / row.n:.0f} ({row.right} of {row.n})",
        ]
        for row in rows
    ]


HEADER = ("question", "sure, percent", "in the mean", "right, percent")
