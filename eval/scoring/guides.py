"""What a right guide is, and how far a system's guides are right.

Definition. The bars are those of the annotation: from each annotated 1 to the next, as far as they have the
usual number of beats; a last bar that is complete ends where the bar before it suggests. A place of a class
is a position in the bar (as a fraction of the bar) at which the class is struck, within 1/24 of a bar and at
most 50 ms, in at least 70 % of all these bars (60 % where instead of drums the onsets of each instrument are known,
found by program: soft ones are missed now and then). Places are searched on twelfths of a beat, the most often
struck first, and centred on their own hits; a hit belongs to one place only. The truth of a track is the set
of places of each class; classes without a place have no truth, and a track may have none: then the right
answer is to claim no guide.

A guide of one bar is compared with that. A guide of p bars is compared with the places folded on p bars, at
the rotation that suits it best, if there are at least 4 p bars, and otherwise with the one-bar places
repeated. Places match one to one within the same tolerance. A guide is exact for a class when all places
match and none is left over on either side; its places are all true when each is a place of some class.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import mir_eval
import numpy as np

from eval.records import ClaimedGuide, FloatArray, Reference
from eval.scoring.folding import BarLines, bar_lines, fold

MIN_REPEATS = 4
HIT_WINDOW_S = 0.05


def true_places(reference: Reference, bars: BarLines) -> dict[str, FloatArray]:
    """Return the places of every annotated class that has any, in bars."""
    folded = {name: fold(hit_s, bars) for name, hit_s in (reference.struck or {}).items()}
    return {name: places for name, places in folded.items() if len(places)}


def n_matches(stated: FloatArray, true: FloatArray, pattern_bars: int, tolerance_bars: float) -> int:
    """Return how many places match one to one within the tolerance, around the pattern."""

    def distance(a: FloatArray, b: FloatArray) -> FloatArray:
        gap = np.abs(a[:, None] - b[None, :]) % pattern_bars
        return np.asarray(np.minimum(gap, pattern_bars - gap))

    if not len(stated) or not len(true):
        return 0
    return len(mir_eval.util.match_events(stated, true, tolerance_bars, distance=distance))


def _truths_for(guide: ClaimedGuide, hit_s: FloatArray, bars: BarLines) -> list[FloatArray]:
    """Return a class's places on as many bars as the guide has, at every rotation that could be meant."""
    p = guide.pattern_bars
    if p == 1 or len(bars.start_s) < MIN_REPEATS * p:
        once = fold(hit_s, bars)
        return [np.concatenate([once + k for k in range(p)])]
    return [fold(hit_s, bars, p, rotation) for rotation in range(p)]


@dataclass(frozen=True, slots=True)
class Likeness:
    """How a guide compares with one class: exact place set, Jaccard of the place sets, F of the hits."""

    name: str
    exact: bool
    jaccard: float
    hit_f: float


def likeness(guide: ClaimedGuide, name: str, hit_s: FloatArray, bars: BarLines) -> Likeness:
    """Compare a guide with a class that has places; hit F counts pairs within 50 ms, inside the bars."""
    jaccards = []
    for places in _truths_for(guide, hit_s, bars):
        n = n_matches(guide.position, places, guide.pattern_bars, bars.tolerance_bars)
        union = len(guide.position) + len(places) - n
        jaccards.append(n / union if union else 0.0)
    best = max(jaccards)
    return Likeness(name, best == 1.0, best, _hit_f(guide.hit_s, hit_s, bars))


def _hit_f(stated_s: FloatArray, true_s: FloatArray, bars: BarLines) -> float:
    """Return F of hit times within 50 ms, over the time that the bars cover."""
    first_s, last_s = bars.start_s[0] - HIT_WINDOW_S, bars.start_s[-1] + bars.length_s[-1]
    stated_s = stated_s[(stated_s >= first_s) & (stated_s < last_s)]
    true_s = true_s[(true_s >= first_s) & (true_s < last_s)]
    if not len(true_s) or not len(stated_s):
        return 0.0
    return float(mir_eval.onset.f_measure(true_s, stated_s, HIT_WINDOW_S)[0])


def _places_all_true(guide: ClaimedGuide, struck: Mapping[str, FloatArray], bars: BarLines) -> bool:
    """Tell whether each place of the guide is a place of some class; a guide without places states nothing
    true.
    """
    if not len(guide.position):
        return False
    per_class = [_truths_for(guide, hit_s, bars) for hit_s in struck.values()]
    for of_rotation in zip(*per_class, strict=True):
        places = np.concatenate(of_rotation)
        gaps = np.abs(guide.position[:, None] - places[None, :]) % guide.pattern_bars
        near = np.minimum(gaps, guide.pattern_bars - gaps) <= bars.tolerance_bars
        if near.any(axis=1).all():
            return True
    return False


def fixes(guide: ClaimedGuide, beats: int, tolerance_bars: float) -> str:
    """Say what a guide's places alone, without any other evidence, tell: "one", "half_bar", "beat" or "less".

    Places that a shift maps onto themselves leave that shift open: one by half a bar leaves only the half bar fixed,
    one by whole beats the beat, one by part of a beat (halves, thirds and quarters are tried) not even that. A figure
    of several bars fixes the 1 when no shift shorter than itself maps it.
    """

    def same_after(shift_bars: float) -> bool:
        moved = guide.position + shift_bars
        return n_matches(moved, guide.position, guide.pattern_bars, tolerance_bars) == len(guide.position)

    if not len(guide.position) or any(same_after(1 / (beats * parts)) for parts in (2, 3, 4)):
        return "less"
    shifts = [k / beats for k in range(1, beats) if same_after(k / beats)]
    if not shifts:
        return "one"
    return "half_bar" if beats % 2 == 0 and beats > 2 and shifts == [0.5] else "beat"


def guide_scores(reference: Reference, guides: tuple[ClaimedGuide, ...] | None) -> dict[str, float] | None:
    """Return the guide figures of one track, or None where no hits are annotated, no bars, or no guide is looked for.

    first_all_true, first_exact, first_jaccard, first_hit_f: of the first guide (0 when none is claimed);
    three_exact of three_claimed: how many of the first three guides are exact for some class; three_jaccard:
    their mean best Jaccard; first_fixes_one, first_fixes_half_bar, first_fixes_beat: what the first guide alone fixes
    (the one that holds is 1), if its places are all true; classes_found of classes: how many classes have their
    exact place set among all guides. On a track without truth only no_truth = 1 and claimed (guides claimed, where none
    can be right) are given.
    """
    bars = bar_lines(reference)
    struck = reference.struck
    if guides is None or struck is None or bars is None:
        return None
    truth = true_places(reference, bars)
    if not truth:
        return {"no_truth": 1.0, "claimed": float(len(guides))}
    compared = [[likeness(guide, name, struck[name], bars) for name in truth] for guide in guides]
    best = [max(row, key=lambda like: (like.jaccard, like.hit_f)) for row in compared]
    found = {like.name for row in compared for like in row if like.exact}
    three = best[:3]
    first_true = bool(guides) and _places_all_true(guides[0], struck, bars)
    fixed = fixes(guides[0], bars.beats, bars.tolerance_bars) if first_true else ""
    return {
        "no_truth": 0.0,
        "claimed": float(len(guides)),
        "first_all_true": float(first_true),
        "first_fixes_one": float(fixed == "one"),
        "first_fixes_half_bar": float(fixed == "half_bar"),
        "first_fixes_beat": float(fixed == "beat"),
        "first_exact": float(bool(best) and best[0].exact),
        "first_jaccard": best[0].jaccard if best else 0.0,
        "first_hit_f": best[0].hit_f if best else 0.0,
        "three_exact": float(sum(like.exact for like in three)),
        "three_claimed": float(len(three)),
        "three_jaccard": float(np.mean([like.jaccard for like in three])) if three else 0.0,
        "classes_found": float(len(found)),
        "classes": float(len(truth)),
    }
