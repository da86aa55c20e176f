"""Guides: recurring sounds with known places, which a drummer can follow.

Each sound's hits are laid on the bars (placing), its patterns are found (patterns), and each pattern that stands out
becomes a guide with a score (scoring). What several sounds show twice is listed once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from pulsefind.core.counts import Slot, full_bars, slots_of
from pulsefind.core.lean import lean_of_ms
from pulsefind.core.nearest import distance
from pulsefind.core.records import (
    Bars,
    Beats,
    Grid,
    Guide,
    GuideHits,
    Hits,
    Place,
    Sound,
    Stretch,
)
from pulsefind.guides.naming import describe
from pulsefind.guides.patterns import LEAST_CLARITY, MIN_BARS, Pattern, clarity_of, falls_on, find_pattern, pattern_bar
from pulsefind.guides.placing import NOTE_RATE, PLACE_RATE, Placed, lay, without_doubtful
from pulsefind.guides.scoring import score_of

SECTION_CLARITY = 0.3
"""How far the places of a section's pattern must stand out (judged): almost anything stands out less somewhere."""

LEAST_HIT_RATE = 0.6
"""Every place of a guide is struck in at least this share of its bars (judged); this is checked again because the bars
are settled after the places.
"""

MAX_GUIDES = 12  # judged: more than anybody reads
PATTERNS_PER_SOUND = 3  # judged: verse, chorus and one more

CLEAR_DRUM, HEARD_WITH_DRUM = 0.4, 0.75
"""A place that stands alone in the folded bars belongs to a drum if this share of its hits coincide with those of a
drum this clear (judged): something struck together with the drum makes it sound unlike its other hits there.
"""

TWIN_HITS, TWIN_S = 0.6, 0.03
"""Two guides with the same places are one if this share of one's hits lies this close to the other's (judged)."""

NEARLY_THE_SAME = 0.8
"""So are they if this share of all their places is shared and no network was taught the later one: then it is part of
the same sound, found once more (judged: one place in five may be missing).
"""


def find_guides(
    hits: Hits, beats: Beats, bars: Bars, grid: Grid, fold: Callable[[], Hits] | None = None
) -> tuple[Guide, ...]:
    """Find what can be followed, the best first. No bars, or nothing that recurs, gives an empty tuple.

    fold: returns the hits of sounds that show only in the folded bars; it is called last, so that another thread may
    look for them meanwhile.
    """
    full = full_bars(bars)
    if full.sum() < min(MIN_BARS, 2):
        return ()
    ahead_ms = lean_of_ms(hits.certain().time_s, beats.time_s)
    found = _guides_of(hits, beats, bars, grid, ahead_ms)
    under = _guides_of(fold(), beats, bars, grid, ahead_ms, folded=True) if fold else []
    clear = [guide for guide in found if guide.sound.drum and guide.clarity >= CLEAR_DRUM]
    under = [guide for guide in under if not _one_hit_of(guide, clear)]
    found = [guide for guide in found if guide.sound.taught or _says_more(guide, under)] + under
    found.sort(key=lambda guide: -guide.score)
    return tuple(_without_twins(found)[:MAX_GUIDES])


def _guides_of(hits: Hits, beats: Beats, bars: Bars, grid: Grid, ahead_ms: float, folded: bool = False) -> list[Guide]:
    """The guides of each sound by itself: up to three patterns, in different bars."""
    full = full_bars(bars)
    slots = slots_of(bars, grid)
    found: list[Guide] = []
    for k, sound in enumerate(hits.sounds):
        rate = NOTE_RATE if sound.instrument else PLACE_RATE
        placed = without_doubtful(
            lay(hits, k, beats, bars, grid, slots, ahead_ms), full, len(slots), notes=bool(sound.instrument)
        )
        remaining = full.copy()
        for _ in range(PATTERNS_PER_SOUND):
            pattern = find_pattern(placed, bars, remaining, len(slots), bool(sound.drum), rate)
            if pattern is None:
                break
            guide = _guide(sound, placed, pattern, slots, bars, full)
            guide = replace(guide, score=score_of(guide, bars.usual_beats, folded))
            holds = guide.coverage_share >= PLACE_RATE or guide.clarity >= SECTION_CLARITY
            if holds and min(place.hit_rate for place in guide.places) >= LEAST_HIT_RATE:
                found.append(guide)
            remaining = remaining & ~pattern.covered
    return found


def _one_hit_of(guide: Guide, drums: list[Guide]) -> bool:
    """Is this guide of a single place just one place of a drum?"""
    time_s = guide.hits.time_s[guide.hits.on_pattern]
    return len(guide.places) == 1 and any(
        float(np.mean(distance(drum.hits.time_s, time_s) < TWIN_S)) >= HEARD_WITH_DRUM for drum in drums
    )


def _says_more(guide: Guide, folded: list[Guide]) -> bool:
    """Does this untaught guide stand out, and is it more than several sounds of the folded bars lumped together?"""
    places = {place.label for place in guide.places}
    known = [{place.label for place in other.places} for other in folded if other.pattern_bars == 1]
    parts = [other for other in known if other <= places]
    mixture = guide.pattern_bars == 1 and places not in known and set().union(*parts) == places
    return guide.clarity >= LEAST_CLARITY and not mixture


def alone_stretches(guides: tuple[Guide, ...], bars: Bars) -> tuple[Stretch, ...]:
    """The runs of bars that no guide covers: the whole song without guides, nothing without bars."""
    followed = np.zeros(len(bars.beats), np.bool_)
    for guide in guides:
        for stretch in guide.coverage:
            followed[stretch.first_bar : stretch.last_bar + 1] = True
    return bars.stretches(~np.array(bars.with_neighbours(followed.tolist()), np.bool_))


def _guide(
    sound: Sound, placed: Placed, pattern: Pattern, slots: list[Slot], bars: Bars, full: NDArray[np.bool_]
) -> Guide:
    length = len(pattern.struck)
    phase = pattern_bar(bars, length)
    inside = pattern.covered[placed.bar]
    on = falls_on(placed, pattern, bars)
    places = []
    for p in range(length):
        n_bars = max(1, int((pattern.covered & (phase == p)).sum()))
        for s in np.flatnonzero(pattern.struck[p]):
            here = inside & on & (phase[placed.bar] == p) & (placed.slot == s)
            rate = min(1.0, len(set(placed.bar[here].tolist())) / n_bars)
            offset = placed.offset_ms[here]
            mean, spread = (float(offset.mean()), float(offset.std())) if len(offset) else (0.0, 0.0)
            places.append(Place(slots[s].label, p + 1, slots[s].position_beats, rate, mean, spread))
    labels = tuple(slots[s].label if s >= 0 else "" for s in placed.slot)
    hits = GuideHits(placed.time_s, placed.bar, labels, on & inside)
    level_db = float(np.median(placed.level_db[on & inside])) if (on & inside).any() else 0.0
    recurrence = float(np.mean([place.hit_rate for place in places])) * float(on[inside].mean())
    clarity = clarity_of(placed, pattern, bars, len(slots))
    spread_ms = float(np.mean([place.spread_ms for place in places]))
    audibility = float(expit((level_db - 8.0) / 3.0))
    tightness = float(np.exp(-spread_ms / 25.0))
    coverage_share = float(pattern.covered.sum() / max(1, full.sum()))
    return Guide(
        name=describe(sound),
        sound=sound,
        pattern_bars=length,
        places=tuple(places),
        hits=hits,
        coverage=bars.stretches(pattern.covered),
        loudness_db=level_db,
        recurrence=recurrence,
        audibility=audibility,
        tightness=tightness,
        coverage_share=min(1.0, coverage_share),
        score=0.0,
        clarity=clarity,
    )


def _without_twins(guides: list[Guide]) -> list[Guide]:
    """Leave out guides whose hits are nearly all those of a better one (one sound, split in two)."""
    kept: list[Guide] = []
    for guide in guides:
        if not any(_same(guide, other) for other in kept):
            kept.append(guide)
    return kept


def _same(guide: Guide, other: Guide) -> bool:
    """Is a guide the same sound as a better one: a part of it, or struck together with it throughout?"""
    places, others = ({(place.label, place.bar) for place in one.places} for one in (guide, other))
    shared = len(places & others) / len(places | others)
    if shared < (1.0 if guide.sound.taught else NEARLY_THE_SAME):
        return False
    a, b = guide.hits.time_s[guide.hits.on_pattern], other.hits.time_s[other.hits.on_pattern]
    if not len(a) or not len(b):
        return True
    return float(np.mean(distance(b, a) < TWIN_S)) >= TWIN_HITS
