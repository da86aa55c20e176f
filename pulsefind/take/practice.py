"""The one exercise for what stands out most to a listener."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pulsefind.core.words import bars_text, shell_word
from pulsefind.take.records import NOTHING_SPECIAL, Movement, Practice, Timing

_PLACE_HITS = 8
"""A place struck less often than this shows no spread (judged)."""


def practice_of(track: Path, timing: Timing, movement: Movement) -> Practice:
    """The one exercise for what stands out most, in units of what a listener just notices."""
    name = shell_word(track)
    choices: list[tuple[float, Practice]] = []
    if movement.drifts:
        worst = max(movement.drifts, key=lambda d: abs(d.end_offset_ms))
        bars = int(np.clip(worst.last_bar - worst.first_bar + 1, 1, 8))
        way = "ahead of" if worst.end_offset_ms < 0 else "behind"
        stretch = bars_text(worst.first_bar, worst.last_bar)
        choices.append(
            (
                abs(worst.end_offset_ms) / timing.noticeable_ms,
                Practice(
                    "carry the time alone",
                    f"{stretch} ended {abs(worst.end_offset_ms):.0f} ms {way} the track",
                    f"pulsefind click {name} --clickless {max(2, bars)}:{bars}",
                ),
            )
        )
    jumps = [c for c in movement.corrections if c.spread_share < 0.5]
    if jumps:
        worst_jump = max(jumps, key=lambda c: abs(c.size_ms))
        bar = bars_text(worst_jump.first_bar)
        choices.append(
            (
                abs(worst_jump.size_ms) * (1 - worst_jump.spread_share) / timing.noticeable_ms,
                Practice(
                    "come back evenly: widen or narrow all spaces of a bar alike",
                    f"{abs(worst_jump.size_ms):.0f} ms were taken back nearly at once in {bar}",
                    f"pulsefind click {name} --clickless 2:2",
                ),
            )
        )
    usual = [p for p in timing.places if p.offsets.n >= _PLACE_HITS]
    if usual:
        middle = float(np.median([p.offsets.spread_ms for p in usual]))
        loose = max(usual, key=lambda p: p.offsets.spread_ms)
        choices.append(
            (
                max(0.0, loose.offsets.spread_ms - middle) / timing.noticeable_ms,
                Practice(
                    f"the {loose.kind} on {loose.place}",
                    f"it spreads by {loose.offsets.spread_ms:.0f} ms, your usual place by {middle:.0f} ms",
                    f'pulsefind click {name} --on "{loose.place}"',
                ),
            )
        )
    size, best = max(choices, key=lambda item: item[0], default=(0.0, None))
    if best is None or size < 1.0:
        return Practice(
            NOTHING_SPECIAL,
            "nothing in this take stands out to a listener",
            f"pulsefind click {name} --ladder",
        )
    return best
