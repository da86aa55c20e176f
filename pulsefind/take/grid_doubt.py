"""Is the counted grid wrong, rather than the player?

A player who follows the track's tempo but lies steadily beside its counts hears it another way than it was counted:
half a beat off, a beat off, or with all beats some tens of milliseconds early or late. That is said before anything
else, because every other sentence of the review would rest on the wrong counts.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.records import Analysis, FloatArray
from pulsefind.core.words import shell_word
from pulsefind.take.records import Alignment, GridDoubt, Played

LEAST_LEAN_MS = 30.0
"""All hits this far beside the beats say that the beats are off (judged: half as much again as the 19 to 24 ms that
drummers notice).
"""

CLEARLY_BETTER = 0.8
"""How much better kick and snare must fit the other count; 2 is as good as it gets (judged)."""

_FEWEST_SNARES, _FEWEST_KICKS, _FEWEST_STEADY = 8, 8, 24  # judged: strokes from which a habit shows
_STEADY_MS = 18.0  # judged: how far the quarters of a steady take may differ
_AS_GOOD = 0.3  # judged: counts whose fits differ by less are equally good
_SNARES_ON_EVEN, _KICKS_ON_ONE, _KICKS_ON_THREE = 1.0, 1.0, 0.6
"""What the shares of snares and kicks on their usual beats count (judged)."""
_ON_PLACE_BEATS = 0.02  # judged: rounding, since positions are those of the grid


def grid_doubt_of(
    analysis: Analysis, alignment: Alignment, played: Played, track: Path, recording: Path
) -> GridDoubt | None:
    """What speaks against the counts; None if nothing does, or if the start rests on the counts themselves."""
    if not alignment.offset_known:
        return None
    return _counted_off(analysis, played, track, recording) or _beats_off(played, track, recording)


def _counted_off(analysis: Analysis, played: Played, track: Path, recording: Path) -> GridDoubt | None:
    """Kick and snare fall as usual, but only if the counts are shifted by half beats (common practice, no source: the
    snare on the even beats of an even bar, the kick on its 1 and in its middle).
    """
    beats = analysis.bars.usual_beats
    if beats != 4 or analysis.bars.unit != 4:
        return None
    kind = np.array(played.kind)
    snare = played.position_beats[(kind == "snare") & ~played.ghost]
    kick = played.position_beats[kind == "kick"]
    if len(snare) < _FEWEST_SNARES or len(kick) < _FEWEST_KICKS:
        return None
    shifts = np.arange(0.0, beats, 0.5)
    fit = np.array([_usual(snare, kick, shift, beats) for shift in shifts])
    # A 1 three beats later is also one beat earlier; of equally good counts the smallest change is taken.
    near = np.where(shifts <= beats / 2, shifts, shifts - beats)
    best = min(np.flatnonzero(fit >= fit.max() - _AS_GOOD).tolist(), key=lambda k: abs(near[k]))
    if best == 0 or fit[best] - fit[0] < CLEARLY_BETTER:
        return None
    shift = float(near[best])
    one_s = _first_one(analysis, played, shift)
    size = {0.5: "half a beat", 1.0: "a beat", 1.5: "a beat and a half", 2.0: "half a bar"}[abs(shift)]
    return GridDoubt(
        size,
        shift,
        0.0,
        f"your kick and snare fall as usual if the song is counted {size} {'later' if shift > 0 else 'earlier'}",
        f"pulsefind take {shell_word(track)} {shell_word(recording)} --one-at {one_s:.3f}",
    )


def _usual(snare: FloatArray, kick: FloatArray, shift: float, beats: int) -> float:
    """How well kick and snare fall as usual when the 1 comes shift beats later: 0 to 2."""
    even = _on((snare - shift) % beats, (1.0, 3.0))
    one, middle = _on((kick - shift) % beats, (0.0, float(beats))), _on((kick - shift) % beats, (2.0,))
    both = _KICKS_ON_ONE * float(np.mean(one)) + _KICKS_ON_THREE * float(np.mean(middle))
    return _SNARES_ON_EVEN * float(np.mean(even)) + both


def _on(position: FloatArray, places: tuple[float, ...]) -> NDArray[np.bool_]:
    near: NDArray[np.bool_] = np.min([np.abs(position - place) for place in places], axis=0) < _ON_PLACE_BEATS
    return near


def _first_one(analysis: Analysis, played: Played, shift: float) -> float:
    """Track time of the first 1 under the other count within the bars played."""
    edges = analysis.edges_s
    for bar in np.unique(played.bar).tolist():
        at = float(analysis.bars.first_beat[bar]) + shift
        if 0 <= at <= len(edges) - 1:
            return float(np.interp(at, np.arange(len(edges)), edges))
    return float(edges[0])


def _beats_off(played: Played, track: Path, recording: Path) -> GridDoubt | None:
    """Do all hits lie some tens of milliseconds to one side, as much at the end as at the start?"""
    if len(played.offset_ms) < _FEWEST_STEADY:
        return None
    lean_ms = float(np.median(played.offset_ms))
    parts = [float(np.median(part)) for part in np.array_split(played.offset_ms, 4)]
    if abs(lean_ms) < LEAST_LEAN_MS or max(abs(part - lean_ms) for part in parts) > _STEADY_MS:
        return None
    side = "after" if lean_ms > 0 else "before"
    return GridDoubt(
        f"{abs(lean_ms):.0f} ms",
        0.0,
        lean_ms,
        f"everything you play sits {abs(lean_ms):.0f} ms {side} the counted beats, from first to last: the beats may "
        "be off, or your recording is late",
        f"pulsefind take {shell_word(track)} {shell_word(recording)} --nudge-ms {lean_ms:.0f}",
    )
