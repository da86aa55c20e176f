"""Hits of a take matched to places, one to one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.beats.grid import grid_of_times
from pulsefind.core.counts import slot_positions
from pulsefind.core.records import Analysis, FloatArray, Grid, GridSection, IntArray
from pulsefind.take.follow import ALONE, COMING_BACK, STEP_MS, WITH_THE_TRACK, follow, usual_offset_ms
from pulsefind.take.places import Slots, alone_bars, every_slot, grid_runs, guided_beats, lay_slots
from pulsefind.take.records import Missed, Played, Stray, TakeHits

WINDOW_SHARE, WINDOW_MS = 0.5, 90.0
"""A hit may be this far from its place: a share of the space to the next place, and never more than so many ms."""

FLAM_MS = 45.0
"""A softer hit of the same kind this shortly before or after another belongs to it (common practice, no source)."""

OWN_RATE = 0.75
"""A place is part of the player's own pattern when it is struck in at least this share of the bars around."""

LARGEST_SWING = 2.7
"""Beyond this ratio the second note of a pair is a dotted rhythm on a finer grid, not swing (common practice, no
source).
"""

RARE_RATE, REREAD_MS = 0.25, 120.0
"""A place struck in fewer bars than this share is not the player's; a stroke on it may belong to one of theirs no
further off (judged: a sixteenth at 125 bpm).
"""

FEWEST_AROUND = 5
"""With fewer bars around it than this nothing is said of a bar's pattern."""

_AROUND_BARS = 4
_GHOST_VELOCITY_SHARE, _GHOST_DB = 0.45, -13.0
_SWING_APART_MS = 30.0
_MANY_NEW = 0.35
_COMING_BACK_BARS = 8
_ROUNDS = 4
_BESIDE_MS = 20.0


@dataclass(frozen=True, slots=True)
class Matched:
    """Hits on places, the rest, what the player's own pattern lacked, the grid that was used, and bars with fills."""

    played: Played
    strays: tuple[Stray, ...]
    missed: tuple[Missed, ...]
    player_grid: Grid
    used: tuple[GridSection, ...]
    fills: IntArray

    @property
    def grid(self) -> tuple[GridSection, ...]:
        """The grid that was used, in runs of bars (indices)."""
        return grid_runs(self.used)


def match(analysis: Analysis, hits: TakeHits, time_s: FloatArray) -> Matched:
    """Match hits (n,) at track time time_s (n,) to the places of the track, or of a finer grid that the player used.

    Per kind the assignment of hits to places is the one with the least total distance in which hits keep their order
    (for a distance that is convex in time an optimal assignment always does).
    """
    kinds = np.array(hits.kind)
    edges_s, guided = analysis.edges_s, guided_beats(analysis)
    of_kind = np.unique(kinds, return_inverse=True)[1].astype(np.int64)
    usual_s = usual_offset_ms(every_slot(analysis), edges_s, time_s, of_kind) / 1000
    player_grid = _player_grid(analysis, time_s - usual_s, guided)
    used = [
        _section_for(analysis, bar, analysis.grid.at(bar), player_grid.at(bar))
        for bar in range(len(analysis.bars.beats))
    ]
    slots = lay_slots(analysis, used)
    # Less their slow course the hits lie where they would for a player who stays with the track.
    course_s = follow(slots, edges_s, time_s, of_kind, _pull(analysis)) / 1000
    main, grace = _without_flams(kinds, time_s, hits.level)
    rows = _reread(_settled_pairs(main, time_s, course_s, slots), hits, time_s, slots)
    strays = [Stray(float(time_s[i]), hits.kind[i], "flam") for i in grace]
    left = np.setdiff1d(np.concatenate(list(main.values())), [i for i, _ in rows])
    strays += [_stray(float(time_s[i]), hits.kind[i], slots) for i in left]
    rows.sort(key=lambda row: (time_s[row[0]], row[0]))
    played = _played(rows, slots, hits, time_s)
    fills = _fills(played, analysis)
    strays.sort(key=lambda stray: stray.time_s)
    return Matched(
        played, tuple(strays), _missed(played, slots, analysis, fills, hits.source), player_grid, tuple(used), fills
    )


def _pull(analysis: Analysis) -> FloatArray:
    """(n_beats,) how strongly the track draws the player back: not at all where they are alone."""
    bars = analysis.bars.bar_of_beat
    pull = np.full(len(bars), WITH_THE_TRACK)
    alone = alone_bars(analysis)
    for bar in alone:
        pull[(bars > bar) & (bars <= bar + _COMING_BACK_BARS)] = COMING_BACK
    pull[np.isin(bars, alone)] = ALONE
    return pull


def _player_grid(analysis: Analysis, time_s: FloatArray, guided: NDArray[np.bool_]) -> Grid:
    """The subdivision that the player uses, from the beats with something to follow: alone they may be anywhere."""
    beat = np.searchsorted(analysis.beats.time_s, time_s, side="right") - 1
    followed = guided[np.clip(beat, 0, len(guided) - 1)]
    of_player = np.sort(time_s[followed] if followed.any() else time_s)
    return grid_of_times(analysis.beats, analysis.bars, of_player, analysis.settings.in_threes)


def _section_for(analysis: Analysis, bar: int, track: GridSection, player: GridSection) -> GridSection:
    """The grid to lay the player's hits on: the track's, unless theirs is finer or swings clearly otherwise."""
    if player.swing_ratio > LARGEST_SWING:
        player = GridSection(player.first_bar, player.last_bar, player.slots_per_beat, 1.0)
    if track.slots_per_beat % player.slots_per_beat == 0 and track.slots_per_beat > player.slots_per_beat:
        return track if player.swing_ratio == 1.0 else player
    if track.slots_per_beat != player.slots_per_beat:
        return player
    beat_ms = 60000.0 / float(analysis.tempo.bar_bpm[bar])
    apart = np.abs(slot_positions(track) - slot_positions(player)).max() * beat_ms
    return player if apart > _SWING_APART_MS else track


def _settled_pairs(
    main: dict[str, IntArray], time_s: FloatArray, course_s: FloatArray, slots: Slots
) -> list[tuple[int, int]]:
    """(hit, slot) pairs of all kinds, the course's level settled with them: the matched hits lie about it.

    The course comes in steps and from all hits; on a dense grid a few ms of it decide which of two places is nearer.
    Beyond its step it is trusted: where a grid is dense, any level nearly settles.
    """
    window_s = _window_s(slots)
    pairs = _pairs(main, time_s - course_s, slots, window_s)
    for _ in range(_ROUNDS):
        if not pairs:
            break
        hit, slot = np.array(pairs).T
        off_s = float(np.median(time_s[hit] - course_s[hit] - slots.nominal_s[slot]))
        level_s = float(np.clip(off_s, -STEP_MS / 1000, STEP_MS / 1000))
        before, pairs = pairs, _pairs(main, time_s - course_s - level_s, slots, window_s)
        if pairs == before:
            break
    return pairs


def _reread(pairs: list[tuple[int, int]], hits: TakeHits, time_s: FloatArray, slots: Slots) -> list[tuple[int, int]]:
    """The pairs, strokes on places that the player hardly uses given to an empty one next to it that they do use.

    Who plays eighths and comes 70 ms early lies nearer to the sixteenth before; it is still their eighth.
    """
    bars = max(1, len({int(slots.bar[slot]) for _, slot in pairs}))
    struck: dict[tuple[str, str], int] = {}
    for hit, slot in pairs:
        key = (slots.place[slot], hits.kind[hit])
        struck[key] = struck.get(key, 0) + 1
    taken = {(slot, hits.kind[hit]) for hit, slot in pairs}
    result = []
    for hit, slot in pairs:
        kind = hits.kind[hit]
        off_s = float(time_s[hit] - slots.nominal_s[slot])
        # Towards the neighbour on whose side it lies.
        other = slot + (1 if off_s > 0 else -1)
        if (
            struck[(slots.place[slot], kind)] < RARE_RATE * bars
            and abs(off_s) >= _BESIDE_MS / 1000
            and 0 <= other < len(slots.place)
            and (other, kind) not in taken
            and struck.get((slots.place[other], kind), 0) >= OWN_RATE * bars
            and abs(float(time_s[hit] - slots.nominal_s[other])) <= REREAD_MS / 1000
        ):
            taken = (taken - {(slot, kind)}) | {(other, kind)}
            slot = other  # noqa: PLW2901
        result.append((hit, slot))
    return result


def _pairs(
    main: dict[str, IntArray], steady_s: FloatArray, slots: Slots, window_s: FloatArray
) -> list[tuple[int, int]]:
    pairs = []
    for member in main.values():
        ordered = member[np.argsort(steady_s[member], kind="stable")]
        pairs += [(int(ordered[i]), s) for i, s in assign(steady_s[ordered], slots.nominal_s, window_s)]
    return pairs


def _window_s(slots: Slots) -> FloatArray:
    """(n_slots, 2) how far before and after each slot a hit may lie: on a swung grid the two differ."""
    gap_s = np.diff(slots.nominal_s)
    around_s = np.stack([np.r_[gap_s[:1], gap_s], np.r_[gap_s, gap_s[-1:]]], axis=1)
    window: FloatArray = np.minimum(WINDOW_MS / 1000, WINDOW_SHARE * around_s)
    return window


def _without_flams(
    kinds: NDArray[np.str_], time_s: FloatArray, level: FloatArray
) -> tuple[dict[str, IntArray], list[int]]:
    """The main strokes of each kind (indices), and the softer ones of all kinds that lean on them."""
    main: dict[str, IntArray] = {}
    grace: list[int] = []
    for kind in np.unique(kinds):
        kept: list[int] = []
        for i in np.flatnonzero(kinds == kind).tolist():
            if kept and time_s[i] - time_s[kept[-1]] < FLAM_MS / 1000:
                # The later of two equal strokes is the main one: a grace note comes before.
                if level[i] < level[kept[-1]]:
                    grace.append(i)
                    continue
                grace.append(kept.pop())
            kept.append(i)
        main[str(kind)] = np.array(kept, np.int64)
    return main, grace


def assign(time_s: FloatArray, nominal_s: FloatArray, window_s: FloatArray) -> list[tuple[int, int]]:
    """Pairs (hit, slot), one to one and in order, with the least total distance; leaving a hit out costs a window.

    time_s (n,) and nominal_s (m,) increase; window_s (m, 2) is how far before and after each slot a hit may be.
    Dynamic programming over the hits: the state is the last slot taken.
    """
    low = np.searchsorted(nominal_s, time_s - WINDOW_MS / 1000)
    high = np.searchsorted(nominal_s, time_s + WINDOW_MS / 1000)
    # state: last slot -> (cost, chain of pairs as nested tuples)
    state: dict[int, tuple[float, object]] = {-1: (0.0, None)}
    for i, t in enumerate(time_s):
        following: dict[int, tuple[float, object]] = {}
        for last, (cost, chain) in state.items():
            _keep(following, last, cost + WINDOW_MS / 1000, chain)
            for slot in range(max(int(low[i]), last + 1), int(high[i])):
                away = float(t) - float(nominal_s[slot])
                if -window_s[slot, 0] <= away <= window_s[slot, 1]:
                    _keep(following, slot, cost + abs(away), (chain, i, slot))
        state = _worth_keeping(following, int(low[min(i + 1, len(low) - 1)]))
    best = min(state.values(), key=lambda item: item[0])
    pairs = []
    chain = best[1]
    while isinstance(chain, tuple):
        chain, hit, slot = chain
        pairs.append((hit, slot))
    return pairs[::-1]


def _keep(state: dict[int, tuple[float, object]], slot: int, cost: float, chain: object) -> None:
    if slot not in state or cost < state[slot][0]:
        state[slot] = (cost, chain)


def _worth_keeping(state: dict[int, tuple[float, object]], in_reach: int) -> dict[int, tuple[float, object]]:
    """A state is worth keeping only when no earlier last slot costs as little.

    Of those before the first slot in reach of the next hit the cheapest is enough: they leave the same choice.
    """
    kept: dict[int, tuple[float, object]] = {}
    least = np.inf
    for slot in sorted(state):
        if state[slot][0] < least:
            if slot < in_reach:
                kept.clear()
            kept[slot] = state[slot]
            least = state[slot][0]
    return kept


def _stray(time_s: float, kind: str, slots: Slots) -> Stray:
    inside = (
        len(slots.nominal_s) > 0
        and slots.nominal_s[0] - slots.spacing_s[0] <= time_s <= slots.nominal_s[-1] + slots.spacing_s[-1]
    )
    return Stray(time_s, kind, "extra" if inside else "outside")


def _played(rows: list[tuple[int, int]], slots: Slots, hits: TakeHits, time_s: FloatArray) -> Played:
    hit = np.array([row[0] for row in rows], np.int64)
    slot = np.array([row[1] for row in rows], np.int64)
    kind = tuple(hits.kind[i] for i in hit)
    level = hits.level[hit]
    return Played(
        time_s[hit],
        slots.nominal_s[slot],
        1000 * (time_s[hit] - slots.nominal_s[slot]),
        slots.bar[slot],
        slots.position_beats[slot],
        tuple(slots.place[s] for s in slot),
        kind,
        level,
        _ghosts(np.array(kind), level, hits.level_unit),
    )


def _ghosts(kind: np.ndarray, level: FloatArray, unit: str) -> np.ndarray:
    """Snare strokes far softer than the usual accent (common practice, no source, for how far)."""
    ghost = np.zeros(len(level), np.bool_)
    snare = kind == "snare"
    if snare.any():
        accent = float(np.percentile(level[snare], 80))
        limit = _GHOST_VELOCITY_SHARE * accent if unit == "velocity" else accent + _GHOST_DB
        ghost[snare] = level[snare] < limit
    return ghost


def struck_table(played: Played, n_bars: int) -> dict[tuple[str, str], np.ndarray]:
    """For every place and kind: (n_bars,) was it struck?"""
    table: dict[tuple[str, str], np.ndarray] = {}
    for place, kind, bar in zip(played.place, played.kind, played.bar, strict=True):
        table.setdefault((place, kind), np.zeros(n_bars, np.bool_))[bar] = True
    return table


def _fills(played: Played, analysis: Analysis) -> IntArray:
    """Bars (indices) in which much of what is struck isn't the player's pattern around them, or toms take over."""
    n_bars = len(analysis.bars.beats)
    table = struck_table(played, n_bars)
    bars = np.unique(played.bar)
    fills = []
    for bar in bars:
        around = around_bars(bars, int(bar))
        if len(around) < FEWEST_AROUND:
            continue
        struck = [key for key, row in table.items() if row[bar]]
        new = [key for key in struck if table[key][around].mean() < 0.25]
        toms = [key for key in new if key[1] in ("tom", "snare", "kick")]
        if len(struck) >= 4 and len(toms) / len(struck) >= _MANY_NEW:
            fills.append(int(bar))
    return np.array(fills, np.int64)


def around_bars(bars: IntArray, bar: int) -> IntArray:
    """Those of some bars (indices) that lie within four of a bar, itself left out."""
    near: IntArray = bars[(np.abs(bars - bar) <= _AROUND_BARS) & (bars != bar)]
    return near


def _missed(played: Played, slots: Slots, analysis: Analysis, fills: IntArray, source: str) -> tuple[Missed, ...]:
    """Places of the player's own pattern, as it is in the bars around, that stayed empty; fills and rests aside.

    In sound one drum may hide another, so there a place counts as missed only when nothing at all was struck on it.
    """
    struck = set(zip(played.bar.tolist(), played.place, strict=True))
    n_bars = len(analysis.bars.beats)
    table = struck_table(played, n_bars)
    steady = np.setdiff1d(np.unique(played.bar), fills)
    nominal: dict[tuple[int, str], float] = {
        (int(bar), place): float(t) for bar, place, t in zip(slots.bar, slots.place, slots.nominal_s, strict=True)
    }
    found = []
    for bar in steady:
        # The take's first and last bars have too few around, so nothing is missed before it begins or after its end.
        around = around_bars(steady, int(bar))
        if len(around) < FEWEST_AROUND:
            continue
        for (place, kind), row in table.items():
            at_s = nominal.get((int(bar), place))
            if row[bar] or at_s is None:
                continue
            if source == "audio" and (int(bar), place) in struck:
                continue
            if row[around].mean() >= OWN_RATE:
                found.append(Missed(at_s, int(bar), place, kind))
    return tuple(sorted(found, key=lambda missed: missed.time_s))
