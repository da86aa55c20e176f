"""Hits of a take matched to places, one to one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.beats.grid import grid_of_times
from pulsefind.core.counts import slot_positions
from pulsefind.core.records import Analysis, FloatArray, Grid, GridSection, IntArray
from pulsefind.take.assigning import assign, window_of
from pulsefind.take.faint import usual_faint
from pulsefind.take.follow import ALONE, COMING_BACK, STEP_MS, WITH_THE_TRACK, follow, usual_offset_ms
from pulsefind.take.pattern import OWN_RATE, RARE_RATE, fills_of, missed_of
from pulsefind.take.places import Slots, alone_bars, every_slot, grid_runs, guided_beats, lay_slots
from pulsefind.take.records import Missed, Played, Stray, TakeHits

FLAM_MS = 45.0
"""A softer hit of the same kind this soon before or after another belongs to it (common practice, no source)."""

BETWEEN_SHARE = 0.4
"""A stroke may be given to the neighbouring place only in the middle fifth between the two. Judged: with a third, 9 of
10 Groove MIDI performances agreed with plain arithmetic; with 0.4 and 0.45, all ten.
"""

LARGEST_SWING = 2.7
"""Beyond this ratio a pair is a dotted rhythm on a finer grid, not swing (common practice, no source)."""

REREAD_MS = 120.0
"""A stroke on a place that the player hardly uses may belong to one that they do use, no further off than this (judged:
a sixteenth at 125 bpm).
"""

_GHOST_VELOCITY_SHARE, _GHOST_DB = 0.45, -13.0  # of an accent's level; common practice, no source for how far below
_SWING_APART_MS = 30.0  # judged: a player whose swung notes lie further from the track's keeps a grid of their own
_COMING_BACK_BARS = 8  # judged: bars after a stretch alone in which a player may still be off
_CROWDED = 1.3  # judged: strokes in a bar for each of its places; two notes too many are no fill in a bar of eighths
_FINER = {1: 2, 2: 4, 3: 6}  # slots a beat, halved (arithmetic)
_ROUNDS = 4  # judged: rounds in which the level settles
_BESIDE_MS = 20.0  # judged: drummers notice from about here


@dataclass(frozen=True, slots=True)
class Matched:
    """Hits on places, the strays, what was missed of the player's own pattern, the grid that was used, bars
    with fills.
    """

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


def match(analysis: Analysis, hits: TakeHits, time_s: FloatArray, faint_s: FloatArray | None = None) -> Matched:
    """Match hits (n,) at track time time_s (n,) to the places of the track, or of a finer grid that the player used.

    Faint ones, at track time faint_s, are taken if they fill the player's own pattern; None leaves them all out.

    For each kind, hits are assigned to places with the least total distance while keeping their order (for a distance
    that is convex in time, some optimal assignment always does).
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
    used = _finer_where_crowded(used, analysis, time_s - usual_s)
    slots = lay_slots(analysis, used)
    # Without their slow course, the hits lie where those of a player who stays with the track would.
    course_s = follow(slots, edges_s, time_s, of_kind, _pull(analysis)) / 1000
    main, grace = _without_flams(kinds, time_s, hits.level)
    rows = _reread(_settled_pairs(main, time_s, course_s, slots), hits, time_s, slots)
    strays = [Stray(float(time_s[i]), hits.kind[i], "flam") for i in grace]
    left = np.setdiff1d(np.concatenate(list(main.values())), [i for i, _ in rows])
    strays += [_stray(float(time_s[i]), hits.kind[i], slots) for i in left]
    n_bars = len(analysis.bars.beats)
    played = _played(rows, slots, [hits], time_s)
    if hits.faint is not None and faint_s is not None:
        taken = usual_faint(hits.faint, faint_s, played, slots, n_bars)
        rows += [(len(time_s) + i, slot) for i, slot in taken]
        played = _played(rows, slots, [hits, hits.faint], np.r_[time_s, faint_s])
    fills = fills_of(played, n_bars)
    strays.sort(key=lambda stray: stray.time_s)
    missed = missed_of(played, slots, n_bars, fills, hits.source)
    return Matched(played, tuple(strays), missed, player_grid, tuple(used), fills)


def _pull(analysis: Analysis) -> FloatArray:
    """(n_beats,) how strongly the track pulls the player back: not at all where they are alone."""
    bars = analysis.bars.bar_of_beat
    pull = np.full(len(bars), WITH_THE_TRACK)
    alone = alone_bars(analysis)
    for bar in alone:
        pull[(bars > bar) & (bars <= bar + _COMING_BACK_BARS)] = COMING_BACK
    pull[np.isin(bars, alone)] = ALONE
    return pull


def _player_grid(analysis: Analysis, time_s: FloatArray, guided: NDArray[np.bool_]) -> Grid:
    """The subdivision that the player uses, from beats with something to follow: alone, they may be anywhere."""
    beat = np.searchsorted(analysis.beats.time_s, time_s, side="right") - 1
    followed = guided[np.clip(beat, 0, len(guided) - 1)]
    of_player = np.sort(time_s[followed] if followed.any() else time_s)
    return grid_of_times(analysis.beats, analysis.bars, of_player, analysis.settings.in_threes)


def _section_for(analysis: Analysis, bar: int, track: GridSection, player: GridSection) -> GridSection:
    """The grid to lay the player's hits on: the track's, unless theirs is finer or clearly swings another way."""
    if player.swing_ratio > LARGEST_SWING:
        player = GridSection(player.first_bar, player.last_bar, player.slots_per_beat, 1.0)
    if track.slots_per_beat % player.slots_per_beat == 0 and track.slots_per_beat > player.slots_per_beat:
        return track if player.swing_ratio == 1.0 else player
    if track.slots_per_beat != player.slots_per_beat:
        return player
    beat_ms = 60000.0 / float(analysis.tempo.bar_bpm[bar])
    apart = np.abs(slot_positions(track) - slot_positions(player)).max() * beat_ms
    return player if apart > _SWING_APART_MS else track


def _finer_where_crowded(used: list[GridSection], analysis: Analysis, time_s: FloatArray) -> list[GridSection]:
    """Every bar's section, twice as fine where far more is struck than it has places: a fill that runs in sixteenths.

    A bar's fill would otherwise be laid on the places of the groove, and every second stroke read as off by half a
    place.
    """
    struck_s = np.unique(time_s)
    struck_s = struck_s[np.diff(struck_s, prepend=-np.inf) >= FLAM_MS / 1000]
    beat_s = np.diff(analysis.edges_s)[analysis.bars.first_beat]
    finer = []
    for bar, section in enumerate(used):
        # A stroke just before the bar's 1 is that 1.
        early_s = 0.5 * float(beat_s[bar]) / (2 * section.slots_per_beat)
        low, high = np.searchsorted(
            struck_s, [float(analysis.bars.start_s[bar]) - early_s, float(analysis.bars.ends_s[bar]) - early_s]
        )
        places = section.slots_per_beat * int(analysis.bars.beats[bar])
        if section.slots_per_beat in _FINER and high - low >= _CROWDED * places:
            section = GridSection(bar, bar, _FINER[section.slots_per_beat], 1.0)  # noqa: PLW2901
        finer.append(section)
    return finer


def _settled_pairs(
    main: dict[str, IntArray], time_s: FloatArray, course_s: FloatArray, slots: Slots
) -> list[tuple[int, int]]:
    """(hit, slot) pairs of all kinds, found together with the course's level, so that the matched hits centre on it.

    The course is quantised and comes from all hits; on a dense grid a few ms decide which of two places is nearer. The
    level moves by no more than one step of the course: on a dense grid almost any level would settle.
    """
    window_s = window_of(slots)
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
    """The pairs, with strokes on places that the player hardly uses given to an empty neighbour that they do use.

    An eighth played 70 ms early may lie nearer to the sixteenth before; it is still an eighth.
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
        # The neighbour on the side where it lies.
        other = slot + (1 if off_s > 0 else -1)
        inside = 0 <= other < len(slots.place)
        between_s = abs(float(slots.nominal_s[other] - slots.nominal_s[slot])) if inside else 0.0
        if (
            inside
            and struck[(slots.place[slot], kind)] < RARE_RATE * bars
            and abs(off_s) >= max(_BESIDE_MS / 1000, BETWEEN_SHARE * between_s)
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


def _without_flams(
    kinds: NDArray[np.str_], time_s: FloatArray, level: FloatArray
) -> tuple[dict[str, IntArray], list[int]]:
    """The main strokes of each kind (indices), and the softer ones of all kinds that belong to them."""
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


def _stray(time_s: float, kind: str, slots: Slots) -> Stray:
    inside = (
        len(slots.nominal_s) > 0
        and slots.nominal_s[0] - slots.spacing_s[0] <= time_s <= slots.nominal_s[-1] + slots.spacing_s[-1]
    )
    return Stray(time_s, kind, "extra" if inside else "outside")


def _played(rows: list[tuple[int, int]], slots: Slots, hits: list[TakeHits], time_s: FloatArray) -> Played:
    """The hits of (hit, slot) rows in order of time; hit numbers run through all hits given, as time_s does."""
    rows = sorted(rows, key=lambda row: (time_s[row[0]], row[0]))
    hit = np.array([row[0] for row in rows], np.int64)
    slot = np.array([row[1] for row in rows], np.int64)
    kinds = [kind for some in hits for kind in some.kind]
    kind = tuple(kinds[i] for i in hit)
    level = np.concatenate([some.level for some in hits])[hit]
    return Played(
        time_s[hit],
        slots.nominal_s[slot],
        1000 * (time_s[hit] - slots.nominal_s[slot]),
        slots.bar[slot],
        slots.position_beats[slot],
        tuple(slots.place[s] for s in slot),
        kind,
        level,
        _ghosts(np.array(kind), level, hits[0].level_unit),
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
