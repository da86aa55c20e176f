"""Findings in a teacher's words: what happened, in which bars, by how much, and the one drill for it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pulsefind.core.records import Analysis
from pulsefind.core.words import bars_text, shell_word
from pulsefind.take.findings import CREEP, LATE_RETURN, RUSHED_FILL, SLIP, Fault, find_faults
from pulsefind.take.limbs import drums_apart, fading_kind, uneven_limb
from pulsefind.take.matching import Matched
from pulsefind.take.measures import Measures
from pulsefind.take.records import Finding

TIMES = 8
"""How often a drill is played: until it is no longer new, and before it becomes mere habit (judged)."""

_AROUND_BARS = 1  # judged: a drill comes in a bar early and goes on a bar longer


def findings_of(
    matched: Matched, measures: Measures, analysis: Analysis, level_unit: str, track: Path
) -> tuple[Finding, ...]:
    """Everything that is clear enough to say, the clearest first."""
    played, course = matched.played, measures.course
    name = shell_word(track)
    found = [_told(fault, analysis, name) for fault in find_faults(course, analysis, measures.alone, matched.fills)]
    first, last = (int(analysis.bars.number[bar]) for bar in (played.bar.min(), played.bar.max()))
    uneven = uneven_limb(played, measures.habit_ms)
    if uneven is not None:
        found.append(
            Finding(
                "uneven",
                first,
                last,
                uneven.spread_ms,
                f"the {uneven.kind} by itself, evenly",
                f"it spreads by {uneven.spread_ms:.0f} ms against your other strokes on the same places",
                f"pulsefind click {name} --bars {_drill(analysis, first, first + 3)} --times {TIMES} --speed 0.8",
            )
        )
    apart = drums_apart(played)
    if apart is not None:
        found.append(
            Finding(
                "apart",
                first,
                last,
                -apart.ahead_ms,
                f"{apart.first} and {apart.second} together",
                f"the {apart.first} comes {apart.ahead_ms:.0f} ms before the {apart.second} on the same places",
                f"pulsefind click {name} --bars {_drill(analysis, first, first + 3)} --times {TIMES} --speed 0.7",
            )
        )
    fading = fading_kind(played, level_unit)
    if fading is not None:
        kind, by = fading
        unit = "of velocity" if level_unit == "velocity" else "dB"
        found.append(
            Finding(
                "fading",
                first,
                last,
                0.0,
                f"the {kind} as loud at the end as at the start",
                f"it grew {by:.0f} {unit} softer over the take",
                f"pulsefind click {name} --bars {_drill(analysis, last - 7, last)} --times 4",
            )
        )
    return tuple(found)


def _told(fault: Fault, analysis: Analysis, name: str) -> Finding:
    numbers = analysis.bars.number
    first, last = int(numbers[fault.first_bar]), int(numbers[min(fault.last_bar, len(numbers) - 1)])
    size, where = abs(fault.size_ms), bars_text(first, last)
    way = "ahead" if fault.size_ms < 0 else "behind"
    what, why = {
        CREEP: (
            "hold the tempo" if fault.size_ms < 0 else "don't sit back",
            f"in {where} you crept {size:.0f} ms {way}",
        ),
        SLIP: ("come through this bar", f"in {where} you slipped {size:.0f} ms {way} and took it back"),
        LATE_RETURN: ("come back in time", f"in {where}, after the rest, you were {size:.0f} ms late"),
        RUSHED_FILL: ("keep the fill in time", f"in {where} the fill ran {size:.0f} ms ahead by its end"),
    }[fault.kind]
    drill = _drill(analysis, first - _AROUND_BARS, last + _AROUND_BARS)
    command = f"pulsefind click {name} --bars {drill} --times {TIMES}"
    return Finding(fault.kind, first, last, fault.size_ms, what, why, command)


def _drill(analysis: Analysis, first: int, last: int) -> str:
    """Bars as `click` wants them, kept within the song."""
    low, high = max(1, int(analysis.bars.number[0])), int(analysis.bars.number[-1])
    first, last = (int(np.clip(bar, low, high)) for bar in (first, last))
    return f"{first}-{last}" if last > first else f"{first}"
