"""Guides: recurring sounds with known places, what a drummer can follow.

Each sound's hits are laid on the bars. Its pattern is the set of places struck in at least 70 % of all bars; whether
it repeats every 1, 2 or 4 bars is decided by the Bayesian information criterion. Where no place recurs over the whole
song, and in the bars in which the pattern isn't played, sections are looked for that hold a pattern of their own. In
which bars a guide can be followed is the most likely course of two states, played and not, over the bars (Viterbi
1967), so that a fill or a bar cut short does not break it, and the first bar of a break does.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.counts import Slot, full_bars, label, slot_positions, slots_of
from pulsefind.core.nearest import distance
from pulsefind.core.records import (
    Bars,
    Beats,
    FloatArray,
    Grid,
    Guide,
    GuideHits,
    Hits,
    IntArray,
    Place,
    Sound,
    Stretch,
)
from pulsefind.guides.naming import describe

PLACE_RATE = 0.7
"""A place belongs to the pattern when it is struck in at least this share of the bars in which the guide holds."""

STRAY_RATE = 0.15
"""How often a place is struck, by chance or by something else, in a bar in which the pattern isn't played."""

MOST_EVIDENCE, CHANGE_COST = 3.0, 2.5
"""Log odds that one bar can give at most for or against being played, and what each change costs: two bars without the
pattern end it, one doesn't."""

ON_PATTERN, ON_PATTERN_THROUGHOUT = 0.5, 0.35
"""At least this share of a sound's hits in the covered bars must fall on the pattern's places; less is asked of one
that holds through the song."""

SECTION_CLARITY = 0.3
"""How far the places of a section's pattern must stand out: something is struck often enough anywhere for less."""

LONGER_GAINS = 10.0
"""Nats that a pattern of two or four bars must save over that of one bar: players vary, and few bars prove little."""

REPEATS_OF_LONGER = 6
"""A pattern of two or four bars must come round this often before it is taken for that of the whole song."""

MIN_BARS = 4
MAX_GUIDES = 12
PATTERN_BARS = (1, 2, 4)
PATTERNS_PER_SOUND = 3
SEED_BARS = 8

TOLERANCE_MS = 60.0
"""A hit farther than this from every place of the grid counts for none."""

SCORE_WEIGHTS = (0.2, 0.1, 0.3, 0.1, 0.3)
"""How much recurrence, audibility, coverage, tightness and clarity count in a guide's score."""

NO_DRUM, LONGER_FIGURE = 0.7, 0.85
"""What a score is multiplied by where the sound is none of the drum kit's, which are told apart more surely, and where
a figure of two or four bars has to be kept in mind. Chosen, as the weights, on made songs (first guide right)."""

LEFT_OPEN = 0.25
"""How much a score falls for a guide that leaves every beat open as the 1, as one on all beats does. By judgement, of
0, 0.1, 0.15 and 0.25 tried on the sets at hand (datasets.md)."""

FOLDED = 0.6
"""What a score is multiplied by where only the folded bars show the sound: it has no stray hits to tell against it."""

CLEAR_DRUM, HEARD_WITH_DRUM = 0.4, 0.75
"""A place that stands alone in the folded bars is a drum's if this share of its hits are those of a drum this clear:
what is struck with the drum there makes it sound unlike its other hits."""

LEAST_CLARITY = 0.2
"""A sound outside the drum kit that is struck nearly as often between its places says nothing about the bar."""

TWIN_HITS, TWIN_S = 0.6, 0.03
"""Two guides with the same places are one when this share of the hits of one lies so near to those of the other."""

CLEAREST_GAP, USUAL_PULL = 3.0, 0.5
"""Log odds: a gap of more between places struck and places not struck is no clearer; and how much clearer a gap must be
for each unit that its middle is away from the odds at which a hit usually counts. Chosen on made songs."""

_DOUBLE_HIT_S = 0.03
_SAME_PLACE_BEATS = 0.1
_ROUNDS = 3
_SUREST = 8.0


@dataclass(frozen=True, slots=True)
class _Placed:
    """The hits of one sound on the bars: bar, slot index (-1: on no place) and offset of each."""

    time_s: FloatArray
    bar: IntArray
    slot: IntArray
    offset_ms: FloatArray
    level_db: FloatArray
    odds: FloatArray


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Which slots are struck in which bar of the pattern, (pattern_bars, n_slots), and the bars that follow it."""

    struck: NDArray[np.bool_]
    covered: NDArray[np.bool_]


def find_guides(hits: Hits, beats: Beats, bars: Bars, grid: Grid, figures: Hits | None = None) -> tuple[Guide, ...]:
    """Find what can be followed, the best first. No bars, or nothing that recurs, gives an empty tuple.

    figures are hits of sounds that only the folded bars show.
    """
    full = full_bars(bars)
    if full.sum() < min(MIN_BARS, 2):
        return ()
    found = _guides_of(hits, beats, bars, grid)
    folded = _guides_of(figures, beats, bars, grid) if figures else []
    folded = [replace(guide, score=guide.score * FOLDED) for guide in folded]
    clear = [guide for guide in found if guide.sound.drum and guide.clarity >= CLEAR_DRUM]
    folded = [guide for guide in folded if not _one_hit_of(guide, clear)]
    found = [guide for guide in found if guide.sound.drum or _says_more(guide, folded)] + folded
    found.sort(key=lambda guide: -guide.score)
    return tuple(_without_twins(found)[:MAX_GUIDES])


def _guides_of(hits: Hits, beats: Beats, bars: Bars, grid: Grid) -> list[Guide]:
    """The guides of every sound by itself: up to three patterns each, in bars that differ."""
    full = full_bars(bars)
    slots = slots_of(bars, grid)
    found: list[Guide] = []
    for k, sound in enumerate(hits.sounds):
        placed = _clear(_place(hits, k, beats, bars, grid, slots), full, len(slots))
        remaining = full.copy()
        for _ in range(PATTERNS_PER_SOUND):
            pattern = _find_pattern(placed, bars, remaining, len(slots), bool(sound.drum))
            if pattern is None:
                break
            guide = _guide(sound, placed, pattern, slots, bars, full)
            if guide.coverage_share >= PLACE_RATE or guide.clarity >= SECTION_CLARITY:
                found.append(guide)
            remaining = remaining & ~pattern.covered
    return found


def _one_hit_of(guide: Guide, drums: list[Guide]) -> bool:
    """Is a guide of one place the hits of a drum at one of its places?"""
    time_s = guide.hits.time_s[guide.hits.on_pattern]
    return len(guide.places) == 1 and any(
        float(np.mean(distance(drum.hits.time_s, time_s) < TWIN_S)) >= HEARD_WITH_DRUM for drum in drums
    )


def _says_more(guide: Guide, folded: list[Guide]) -> bool:
    """Does a guide outside the drum kit stand out, and is it not several of the folded bars' sounds in one?"""
    places = {place.label for place in guide.places}
    known = [{place.label for place in other.places} for other in folded if other.pattern_bars == 1]
    parts = [other for other in known if other <= places]
    mixture = guide.pattern_bars == 1 and places not in known and set().union(*parts) == places
    return guide.clarity >= LEAST_CLARITY and not mixture


def alone_stretches(guides: tuple[Guide, ...], bars: Bars) -> tuple[Stretch, ...]:
    """The runs of bars that no guide covers. Without guides that is the whole song; without bars nothing."""
    followed = np.zeros(len(bars.beats), np.bool_)
    for guide in guides:
        for stretch in guide.coverage:
            followed[stretch.first_bar : stretch.last_bar + 1] = True
    # A pickup, or a last bar that is cut off, goes with the bar beside it.
    if len(followed) > 1 and bars.number[0] == 0:
        followed[0] = followed[1]
    if len(followed) > 1 and bars.beats[-1] < bars.beats_per_bar[-1]:
        followed[-1] = followed[-2]
    return _stretches(~followed, bars)


def _place(hits: Hits, sound: int, beats: Beats, bars: Bars, grid: Grid, slots: list[Slot]) -> _Placed:
    """Lay the hits of one sound on the places of the grid; of two within 30 ms the stronger stays.

    A player who is early or late throughout is still on the places: the usual distance is taken off first.
    """
    member = _without_doubles(hits, np.flatnonzero(hits.sound == sound))
    time_s = hits.time_s[member]
    straight = _nearest(time_s, beats, bars, grid, 0.0)
    near = np.abs(straight.offset_ms) < TOLERANCE_MS
    lean_ms = float(np.median(straight.offset_ms[near])) if near.any() else 0.0
    nearest = _nearest(time_s, beats, bars, grid, lean_ms)
    index = {slot.label: i for i, slot in enumerate(slots)}
    slot = np.array(
        [
            index.get(label(int(bars.count[beat]), int(part), int(per_beat)), -1) if on else -1
            for beat, part, per_beat, on in zip(
                nearest.beat, nearest.part, nearest.slots_per_beat, nearest.on_place, strict=True
            )
        ],
        np.int64,
    )
    inside = nearest.bar >= 0
    offset_ms = np.where(nearest.on_place, nearest.offset_ms, 0.0)
    level_db, odds = hits.level_db[member][inside], hits.odds[member][inside]
    return _Placed(time_s[inside], nearest.bar[inside], slot[inside], offset_ms[inside], level_db, odds)


def _clear(placed: _Placed, full: NDArray[np.bool_], n_slots: int) -> _Placed:
    """Without the doubtful hits, the doubt beginning where the places divide most clearly.

    How surely a drum is heard differs from song to song, and from place to place within one it differs most between
    those where it is struck and those where it isn't: of the odds that 70 % of the bars reach, the widest gap counts.
    """
    if not (placed.odds < 0).any():
        return placed
    lowest = float(placed.odds.min()) - 1.0
    table = np.full((len(full), n_slots), lowest)
    on = placed.slot >= 0
    np.maximum.at(table, (placed.bar[on], placed.slot[on]), placed.odds[on])
    reached = np.sort(np.r_[np.quantile(table[full], 1 - PLACE_RATE, axis=0), lowest, _SUREST])
    gap, middle = np.diff(reached), (reached[1:] + reached[:-1]) / 2
    least = middle[np.argmax(np.minimum(gap, CLEAREST_GAP) - USUAL_PULL * np.abs(middle))]
    kept = placed.odds >= least
    return _Placed(*(getattr(placed, field.name)[kept] for field in fields(placed)))


@dataclass(frozen=True, slots=True)
class _Nearest:
    """For each hit: its bar (-1: outside), the beat and part of the beat nearest to it, and how far off it is."""

    bar: IntArray
    beat: IntArray
    part: IntArray
    slots_per_beat: IntArray
    offset_ms: FloatArray
    on_place: NDArray[np.bool_]


def _nearest(time_s: FloatArray, beats: Beats, bars: Bars, grid: Grid, lean_ms: float) -> _Nearest:
    n_beats = len(beats.time_s)
    bar_of_beat = np.repeat(np.arange(len(bars.beats)), bars.beats)
    # A beat after the last lets hits on the last beat find their place.
    edge = np.r_[beats.time_s, bars.end_s]
    meant_s = time_s - lean_ms / 1000
    k = np.searchsorted(edge, meant_s, side="right") - 1
    k[(k < 0) & (edge[0] - meant_s <= TOLERANCE_MS / 1000)] = 0
    inside = (k >= 0) & (k < n_beats)
    at = np.clip(k, 0, n_beats - 1)
    beat_s = edge[at + 1] - edge[at]
    bar = np.where(inside, bar_of_beat[at], -1)
    part, per_beat = np.zeros(len(time_s), np.int64), np.ones(len(time_s), np.int64)
    away_s = np.zeros(len(time_s))
    for section in grid.sections:
        here = (bar >= section.first_bar) & (bar <= section.last_bar)
        within = np.r_[slot_positions(section), 1.0]
        distance = meant_s[here, None] - edge[at[here], None] - within * beat_s[here, None]
        part[here] = np.abs(distance).argmin(axis=1)
        away_s[here] = np.take_along_axis(distance, part[here][:, None], axis=1)[:, 0]
        per_beat[here] = section.slots_per_beat
    on_place = inside & (np.abs(away_s) <= np.minimum(TOLERANCE_MS / 1000, 0.5 * beat_s / per_beat))
    next_beat = part == per_beat
    beat, part = np.where(next_beat, at + 1, at), np.where(next_beat, 0, part)
    on_place &= beat < n_beats
    beat = np.minimum(beat, n_beats - 1)
    bar = np.where(on_place, bar_of_beat[beat], bar)
    return _Nearest(bar, beat, part, per_beat, 1000 * away_s + lean_ms, on_place)


def _without_doubles(hits: Hits, member: IntArray) -> IntArray:
    kept: list[int] = []
    for i in member:
        if kept and hits.time_s[i] - hits.time_s[kept[-1]] < _DOUBLE_HIT_S:
            if hits.strength[i] > hits.strength[kept[-1]]:
                kept[-1] = int(i)
        else:
            kept.append(int(i))
    return np.array(kept, dtype=np.int64)


def _struck_table(placed: _Placed, n_bars: int, n_slots: int) -> NDArray[np.bool_]:
    """(n_bars, n_slots): was the place struck in that bar?"""
    table = np.zeros((n_bars, n_slots), np.bool_)
    on = placed.slot >= 0
    table[placed.bar[on], placed.slot[on]] = True
    return table


def _find_pattern(placed: _Placed, bars: Bars, allowed: NDArray[np.bool_], n_slots: int, drum: bool) -> _Pattern | None:
    """The pattern of the allowed bars: one that holds through them, or else that of a section, or None."""
    table = _struck_table(placed, len(bars.beats), n_slots)
    return _throughout(table, placed, bars, allowed, drum) or _in_a_section(table, placed, bars, allowed)


def _throughout(
    table: NDArray[np.bool_], placed: _Placed, bars: Bars, allowed: NDArray[np.bool_], drum: bool
) -> _Pattern | None:
    """The pattern of all allowed bars, of one bar unless a longer one explains them much better.

    What else a drum plays (ghost notes, fills) does not matter, if its places stand out.
    """
    best: tuple[float, _Pattern] | None = None
    for length in PATTERN_BARS:
        phase = _pattern_bar(bars, length)
        rows = [table[allowed & (phase == p)] for p in range(length)]
        if min(map(len, rows)) < (MIN_BARS if length == 1 else REPEATS_OF_LONGER):
            break
        struck = np.array([row.mean(axis=0) >= PLACE_RATE for row in rows])
        if not struck.any():
            continue
        score = _information_score(table, _Pattern(struck, allowed), phase) - (LONGER_GAINS if length > 1 else 0.0)
        pattern = _Pattern(struck, allowed & _followed(table, struck, phase))
        holds = 2 * pattern.covered.sum() >= allowed.sum()
        stands_out = drum and length == 1 and _clarity(placed, pattern, bars, table.shape[1]) >= LEAST_CLARITY
        least = ON_PATTERN_THROUGHOUT if length == 1 else ON_PATTERN
        if holds and (stands_out or _falls_on_places(placed, pattern, bars, least)):
            best = max(best or (score, pattern), (score, pattern), key=lambda option: option[0])
    return best[1] if best else None


def _in_a_section(table: NDArray[np.bool_], placed: _Placed, bars: Bars, allowed: NDArray[np.bool_]) -> _Pattern | None:
    """The pattern that explains most of the allowed bars.

    The search starts from all bars, and from every stretch of eight: a figure that fills one section only would
    drown in the whole song.
    """
    best: tuple[float, _Pattern] | None = None
    for length in PATTERN_BARS:
        phase = _pattern_bar(bars, length)
        for seed in _seeds(allowed):
            pattern = _settle(table, allowed, seed, phase, length)
            if pattern is None or not _falls_on_places(placed, pattern, bars, ON_PATTERN):
                continue
            score = _information_score(table, pattern, phase) - (LONGER_GAINS if length > 1 else 0.0)
            if best is None or score > best[0]:
                best = (score, pattern)
    return best[1] if best else None


def _seeds(allowed: NDArray[np.bool_]) -> list[NDArray[np.bool_]]:
    index = np.flatnonzero(allowed)
    seeds = [allowed]
    for first in range(0, max(0, len(index) - SEED_BARS) + 1, SEED_BARS // 2):
        seed = np.zeros(len(allowed), np.bool_)
        seed[index[first : first + SEED_BARS]] = True
        seeds.append(seed)
    return seeds


def _pattern_bar(bars: Bars, length: int) -> IntArray:
    """Which bar of a pattern of that length each bar is, counted from the first full bar."""
    phase: IntArray = (bars.number - 1) % length
    return phase


def _settle(
    table: NDArray[np.bool_], allowed: NDArray[np.bool_], seed: NDArray[np.bool_], phase: IntArray, length: int
) -> _Pattern | None:
    """Find places and covered bars that agree with each other, starting from the bars of the seed."""
    covered = seed
    struck = np.zeros((length, table.shape[1]), np.bool_)
    rate = PLACE_RATE * 0.75
    for step in range(_ROUNDS):
        for p in range(length):
            rows = table[covered & (phase == p)]
            if len(rows) < 2:
                return None
            struck[p] = rows.mean(axis=0) >= rate
        if not struck.any():
            return None
        # Bar by bar while places are sought: the course over the bars is dear, and settled at the end.
        played = _evidence(table, struck, phase) > 0 if step < _ROUNDS - 1 else _followed(table, struck, phase)
        covered = allowed & played
        if covered.sum() < min(MIN_BARS, max(2, allowed.sum())):
            return None
        rate = PLACE_RATE if step else PLACE_RATE * 0.9
    return _Pattern(struck, covered)


def _followed(table: NDArray[np.bool_], struck: NDArray[np.bool_], phase: IntArray) -> NDArray[np.bool_]:
    """Bars in which the pattern is played: the likelier of two states along the bars, each change at a cost."""
    evidence = _evidence(table, struck, phase).tolist()
    rests, plays = 0.0, evidence[0]
    stayed = [(True, True)]
    # Plain numbers: arrays of two cost ten times as much.
    for here in evidence[1:]:
        ceased, began = plays - CHANGE_COST, rests - CHANGE_COST
        stayed.append((rests >= ceased, plays >= began))
        rests, plays = max(rests, ceased), max(plays, began) + here
    played = np.zeros(len(evidence), np.bool_)
    state = int(plays > rests)
    for bar in range(len(evidence) - 1, -1, -1):
        played[bar] = state == 1
        state = state if stayed[bar][state] else 1 - state
    return played


def _evidence(table: NDArray[np.bool_], struck: NDArray[np.bool_], phase: IntArray) -> FloatArray:
    """(n_bars,) log odds that the pattern is played in the bar, for that bar alone; 0 where it rests."""
    wanted = struck[phase]
    hit = np.log(0.9 / STRAY_RATE) * (table & wanted).sum(axis=1)
    miss = np.log(0.1 / (1 - STRAY_RATE)) * (~table & wanted).sum(axis=1)
    odds: FloatArray = np.clip(hit + miss, -MOST_EVIDENCE, MOST_EVIDENCE)
    return odds


def _information_score(table: NDArray[np.bool_], pattern: _Pattern, phase: IntArray) -> float:
    """How many nats the pattern saves over knowing only how often the sound is struck, less the cost of its rates."""
    rows = table[pattern.covered]
    n_bars, n_slots = rows.shape
    plain = np.clip(rows.mean(), 1e-3, 1 - 1e-3)
    saved = -_log_bernoulli(rows, np.full(n_slots, plain))
    for p in range(len(pattern.struck)):
        part = table[pattern.covered & (phase == p)]
        rate = np.clip((part.sum(axis=0) + 0.5) / (len(part) + 1), 1e-3, 1 - 1e-3)
        saved += _log_bernoulli(part, rate)
    used = int(rows.any(axis=0).sum())
    return saved - 0.5 * len(pattern.struck) * used * float(np.log(max(n_bars, 2)))


def _log_bernoulli(rows: NDArray[np.bool_], rate: FloatArray) -> float:
    return float((rows * np.log(rate) + ~rows * np.log(1 - rate)).sum())


def _falls_on_places(placed: _Placed, pattern: _Pattern, bars: Bars, least: float) -> bool:
    inside = pattern.covered[placed.bar]
    if not inside.any():
        return False
    return float(_on_pattern(placed, pattern, bars)[inside].mean()) >= least


def _on_pattern(placed: _Placed, pattern: _Pattern, bars: Bars) -> NDArray[np.bool_]:
    phase = _pattern_bar(bars, len(pattern.struck))
    on = placed.slot >= 0
    result = np.zeros(len(placed.slot), np.bool_)
    result[on] = pattern.struck[phase[placed.bar[on]], placed.slot[on]]
    return result


def _guide(
    sound: Sound, placed: _Placed, pattern: _Pattern, slots: list[Slot], bars: Bars, full: NDArray[np.bool_]
) -> Guide:
    length = len(pattern.struck)
    phase = _pattern_bar(bars, length)
    inside = pattern.covered[placed.bar]
    on = _on_pattern(placed, pattern, bars)
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
    clarity = _clarity(placed, pattern, bars, len(slots))
    spread_ms = float(np.mean([place.spread_ms for place in places]))
    audibility = float(1 / (1 + np.exp(-(level_db - 8.0) / 3.0)))
    tightness = float(np.exp(-spread_ms / 25.0))
    coverage_share = float(pattern.covered.sum() / max(1, full.sum()))
    guide = Guide(
        name=describe(sound),
        sound=sound,
        pattern_bars=length,
        places=tuple(places),
        hits=hits,
        coverage=_stretches(pattern.covered, bars),
        loudness_db=level_db,
        recurrence=recurrence,
        audibility=audibility,
        tightness=tightness,
        coverage_share=min(1.0, coverage_share),
        score=0.0,
        clarity=clarity,
    )
    usual = int(np.bincount(bars.beats_per_bar[full]).argmax())
    return replace(guide, score=_score(guide) * (1.0 - LEFT_OPEN * _open(guide, usual)))


def _clarity(placed: _Placed, pattern: _Pattern, bars: Bars, n_slots: int) -> float:
    """How far the least struck place of the pattern stands over the most struck other one, in share of bars: 0..1."""
    phase = _pattern_bar(bars, len(pattern.struck))
    table = _struck_table(placed, len(bars.beats), n_slots)
    rate = np.array([table[pattern.covered & (phase == p)].mean(axis=0) for p in range(len(pattern.struck))])
    other = rate[~pattern.struck].max() if not pattern.struck.all() else 0.0
    return float(np.clip(rate[pattern.struck].min() - other, 0.0, 1.0))


def _score(guide: Guide) -> float:
    """What a player can lean on: the weighted geometric mean of its parts, 0..1. Absence of one can't be bought off.

    It is less for sounds outside the drum kit and for figures longer than a bar.
    """
    parts = np.array([guide.recurrence, guide.audibility, guide.coverage_share, guide.tightness, guide.clarity])
    score = float(np.exp(np.array(SCORE_WEIGHTS) @ np.log(np.maximum(parts, 1e-3))))
    return score * (1.0 if guide.sound.drum else NO_DRUM) * (1.0 if guide.pattern_bars == 1 else LONGER_FIGURE)


def _open(guide: Guide, beats_per_bar: int) -> float:
    """Share of the other beats that could be the 1 as well, by the guide's places alone: 0 when they settle it."""
    n_beats = guide.pattern_bars * beats_per_bar
    places = np.array([(place.bar - 1) * beats_per_bar + place.position_beats for place in guide.places])
    if n_beats < 2:
        return 0.0
    same = sum(_reached(places, (places + shift) % n_beats, n_beats) for shift in range(1, n_beats))
    return same / (n_beats - 1)


def _reached(places: FloatArray, moved: FloatArray, n_beats: int) -> bool:
    """Is each place that has been moved near one of the places, around the pattern?"""
    away = np.abs(moved[:, None] - places)
    return bool((np.minimum(away, n_beats - away).min(axis=1) <= _SAME_PLACE_BEATS).all())


def _without_twins(guides: list[Guide]) -> list[Guide]:
    """Leave out guides whose hits are nearly all those of a better one (one sound split in two)."""
    kept: list[Guide] = []
    for guide in guides:
        if not any(_same(guide, other) for other in kept):
            kept.append(guide)
    return kept


def _same(guide: Guide, other: Guide) -> bool:
    """Are two guides with the same places one sound, split by its parts or struck together throughout?"""
    if [(p.label, p.bar) for p in guide.places] != [(p.label, p.bar) for p in other.places]:
        return False
    a, b = guide.hits.time_s[guide.hits.on_pattern], other.hits.time_s[other.hits.on_pattern]
    if not len(a) or not len(b):
        return True
    return float(np.mean(distance(b, a) < TWIN_S)) >= TWIN_HITS


def _stretches(mask: NDArray[np.bool_], bars: Bars) -> tuple[Stretch, ...]:
    """Runs of marked bars with their times."""
    edge = np.flatnonzero(np.diff(np.r_[0, mask.astype(np.int8), 0]))
    ends = np.r_[bars.start_s[1:], bars.end_s] if len(bars.start_s) else np.zeros(0)
    return tuple(
        Stretch(int(first), int(last) - 1, float(bars.start_s[first]), float(ends[last - 1]))
        for first, last in zip(edge[::2], edge[1::2], strict=True)
    )
