"""Why the figures of a review may mislead: unknown latency, hits off the track, a grid that fits few of them."""

from __future__ import annotations

from pulsefind.core.records import Analysis
from pulsefind.take.matching import Matched
from pulsefind.take.records import Alignment

_FEW_ON_PLACES = 0.7
"""With a smaller share of the hits on places, the grid is doubted (judged)."""


def cautions_of(analysis: Analysis, alignment: Alignment, matched: Matched) -> tuple[str, ...]:
    """What a reader must know before believing the figures, one sentence each."""
    notes = list(analysis.warnings)
    if not alignment.offset_known:
        notes.append(
            "the start was fitted to the hits: whether you are early or late overall can't be told from it, only how "
            "places, kinds and bars differ; --starts-at tells it"
        )
    elif alignment.method == "given" and alignment.latency_ms is None:
        notes.append(
            "a constant latency of the recording chain is part of every offset; measure it with --how-late and "
            "give it with --latency-ms"
        )
    outside = sum(stray.reason == "outside" for stray in matched.strays)
    if outside:
        lie = "hit lies" if outside == 1 else "hits lie"
        judged = "is" if outside == 1 else "are"
        notes.append(f"{outside} {lie} before the track's first bar or after its last and {judged} not judged")
    struck = len(matched.played.time_s)
    n = struck + sum(stray.reason == "extra" for stray in matched.strays)
    if n and struck < _FEW_ON_PLACES * n:
        notes.append("many hits lie on no place of the grid: check --starts-at, the track's tempo and its 1")
    return tuple(notes)
