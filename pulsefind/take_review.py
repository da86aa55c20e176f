"""The take review: how a player moved against the track."""

from __future__ import annotations

import shlex
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pulsefind.correction import Block, estimate_gains, reliability_of
from pulsefind.records import Analysis, Audio, FloatArray, GridSection, IntArray
from pulsefind.take_align import align
from pulsefind.take_corrections import Course, course_of, find_corrections
from pulsefind.take_match import Matched, match
from pulsefind.take_places import Slots, alone_bars, lay_slots
from pulsefind.take_records import (
    Alignment,
    Correction,
    Drift,
    Gains,
    PlaceSummary,
    Played,
    Practice,
    Review,
    Section,
    Summary,
    SwingSection,
    TakeError,
    TakeHits,
)

HISTOGRAM_EDGES_MS = tuple(float(v) for v in range(-90, 91, 10))
"""Bounds of the bins in which a place's offsets are counted; what lies beyond goes to the outer ones."""

SHORT_NOTE_MS, SHORT_NOTICEABLE_MS, NOTICEABLE_SHARE = 240.0, 6.0, 0.025
"""Just noticeable displacement of a note in a row: 6 ms below 240 ms between notes, 2.5 % above (Friberg, Sundberg
1995).
"""

FEWEST_HITS = 8
FEWEST_BARS = 2

_HABIT_HITS = 6
_SERIES_NOTES, _PERIOD_NOTES, _BLOCK_NOTES = 40, 100, 6
_SERIES_RATE = 0.8
_SWING_PAIRS = 8
_BACK_MS = 10.0
_PLACE_HITS = 8
_DRIFT_HITS, _LAST_NOTES = 6, 4


def review_take(
    analysis: Analysis,
    hits: TakeHits,
    recording: Path,
    track: Path,
    track_audio: Audio | None = None,
    take_audio: Audio | None = None,
    starts_at_s: float | None = None,
    latency_ms: float | None = None,
) -> Review:
    """Lay a take on its track and say how the player moved against it.

    Where the start can't be told the review is empty but for its alignment, whose candidates show what is possible.

    Raises
    ------
    TakeError
        if the track has no beats, or the take has too few hits, or is shorter than two bars.
    """
    _check(analysis, hits, recording)
    alignment = align(analysis, hits, track_audio, take_audio, starts_at_s, latency_ms)
    if not alignment.chosen:
        return _unplaced(analysis, hits, recording, alignment, latency_ms)
    matched = match(analysis, hits, alignment.to_track(hits.time_s))
    played = matched.played
    if len(played.time_s) < FEWEST_HITS or len(np.unique(played.bar)) < FEWEST_BARS:
        raise TakeError(
            f"{recording}: laid on the track at {alignment.starts_at_s:.2f} s, fewer than {FEWEST_HITS} hits or "
            "two bars "
            "of it meet the track's bars; check --starts-at and that it is a take of this track"
        )
    alone = alone_bars(analysis)
    habit_ms = _habits(played, alone, matched.fills)
    course = course_of(played, habit_ms)
    drifts = _drifts(course, analysis)
    corrections = find_corrections(course, analysis, drifts, alone)
    noticeable_ms = noticeable(played)
    places = _places(played)
    return Review(
        track=analysis.track.name,
        track_sha256=analysis.track.sha256,
        recording=recording.name,
        source=hits.source,
        level_unit=hits.level_unit,
        verdict="reviewed",
        alignment=alignment,
        latency_given_ms=latency_ms,
        whole=summary(played.offset_ms),
        kinds={kind: summary(played.offset_ms[_is(played.kind, kind)]) for kind in sorted(set(played.kind))},
        sections=_sections(played, analysis, alone, matched.fills),
        places=places,
        histogram_edges_ms=HISTOGRAM_EDGES_MS,
        drifts=drifts,
        grid=_runs(matched.used),
        swing=_swing(played, matched, analysis),
        corrections=corrections,
        gains=_gains(played, matched, analysis, habit_ms, alone),
        noticeable_ms=noticeable_ms,
        played=played,
        strays=matched.strays,
        missed=matched.missed,
        practice=_practice(track, places, drifts, corrections, noticeable_ms),
        notes=hits.notes + _cautions(analysis, alignment, played, matched),
    )


def _check(analysis: Analysis, hits: TakeHits, recording: Path) -> None:
    if len(analysis.bars.beats) < FEWEST_BARS:
        raise TakeError(
            f"{analysis.track.name}: no steady beat was found in the track, so nothing can be laid on it; "
            "name its tempo with --bpm, or a part that has a beat with --range"
        )
    if not len(hits.time_s):
        raise TakeError(f"{recording}: no hits were found in the take; is it silent, or the wrong file?")
    bar_s = float(np.median(np.diff(np.r_[analysis.bars.start_s, analysis.bars.end_s])))
    length_s = float(hits.time_s[-1] - hits.time_s[0])
    if len(hits.time_s) < FEWEST_HITS or length_s < 1.5 * bar_s:
        raise TakeError(
            f"{recording}: {len(hits.time_s)} hits in {length_s:.1f} s are too few to review; play at least two bars"
        )


def _unplaced(
    analysis: Analysis, hits: TakeHits, recording: Path, alignment: Alignment, latency_ms: float | None
) -> Review:
    nothing = np.zeros(0)
    none = np.zeros(0, np.int64)
    played = Played(nothing, nothing, nothing, none, nothing, (), (), nothing, none.astype(np.bool_))
    verdict = "several starts are possible" if alignment.candidates else "can't tell"
    return Review(
        track=analysis.track.name,
        track_sha256=analysis.track.sha256,
        recording=recording.name,
        source=hits.source,
        level_unit=hits.level_unit,
        verdict=verdict,
        alignment=alignment,
        latency_given_ms=latency_ms,
        whole=Summary(0.0, 0.0, 0),
        kinds={},
        sections=(),
        places=(),
        histogram_edges_ms=HISTOGRAM_EDGES_MS,
        drifts=(),
        grid=(),
        swing=(),
        corrections=(),
        gains=None,
        noticeable_ms=0.0,
        played=played,
        strays=(),
        missed=(),
        practice=None,
        notes=hits.notes,
    )


def summary(offset_ms: FloatArray) -> Summary:
    """Mean, standard deviation and number."""
    if not len(offset_ms):
        return Summary(0.0, 0.0, 0)
    return Summary(float(np.mean(offset_ms)), float(np.std(offset_ms)), len(offset_ms))


def _is(names: tuple[str, ...], name: str) -> NDArray[np.bool_]:
    return np.array([n == name for n in names], np.bool_)


def _habits(played: Played, alone: IntArray, fills: IntArray) -> FloatArray:
    """(n_hits,) the usual offset of each hit's place and kind, drawn to the kind's where the place is rare.

    Where the carried or filled bars are most of the take, all bars count.
    """
    steady = ~np.isin(played.bar, np.r_[alone, fills])
    if steady.sum() < 0.3 * len(steady):
        steady = np.ones(len(steady), np.bool_)
    whole = float(np.median(played.offset_ms[steady]))
    habit = np.empty(len(steady))
    keys = list(zip(played.place, played.kind, strict=True))
    for key in set(keys):
        member = np.array([k == key for k in keys])
        of_kind = _is(played.kind, key[1]) & steady
        kind_ms = float(np.median(played.offset_ms[of_kind])) if of_kind.any() else whole
        here = played.offset_ms[member & steady]
        # The median: bars in which an error is being taken back are no habit.
        own_ms = float(np.median(here)) if len(here) else kind_ms
        habit[member] = (len(here) * own_ms + _HABIT_HITS * kind_ms) / (len(here) + _HABIT_HITS)
    return habit


def noticeable(played: Played) -> float:
    """The displacement that a listener just notices at the usual distance of this player's notes, in ms."""
    spaces = np.diff(np.unique(played.nominal_s))
    space_ms = 1000 * float(np.median(spaces)) if len(spaces) else 500.0
    return SHORT_NOTICEABLE_MS if space_ms < SHORT_NOTE_MS else NOTICEABLE_SHARE * space_ms


def _sections(played: Played, analysis: Analysis, alone: IntArray, fills: IntArray) -> tuple[Section, ...]:
    first, last = int(played.bar.min()), int(played.bar.max())
    name = np.array(["with a guide" if analysis.guides else "without a guide"] * (last + 1), dtype=object)
    name[[b for b in alone if b <= last]] = "alone"
    name[[b for b in fills if b <= last]] = "fill"
    ends = np.r_[analysis.bars.start_s[1:], analysis.bars.end_s]
    found = []
    start = first
    for bar in range(first, last + 1):
        if bar < last and name[bar + 1] == name[bar]:
            continue
        inside = (played.bar >= start) & (played.bar <= bar)
        found.append(
            Section(
                str(name[bar]),
                int(analysis.bars.number[start]),
                int(analysis.bars.number[bar]),
                float(analysis.bars.start_s[start]),
                float(ends[bar]),
                summary(played.offset_ms[inside]),
            )
        )
        start = bar + 1
    return tuple(found)


def _places(played: Played) -> tuple[PlaceSummary, ...]:
    bars = len(np.unique(played.bar))
    keys = sorted(set(zip(played.position_beats.tolist(), played.place, played.kind, strict=True)))
    seen: dict[tuple[str, str], float] = {}
    for position, place, kind in keys:
        seen.setdefault((place, kind), position)
    edges = np.array(HISTOGRAM_EDGES_MS)
    found = []
    for (place, kind), position in seen.items():
        member = _is(played.place, place) & _is(played.kind, kind)
        offset = played.offset_ms[member]
        counts, _ = np.histogram(np.clip(offset, edges[0], edges[-1]), edges)
        found.append(
            PlaceSummary(
                place,
                float(position),
                kind,
                summary(offset),
                bars,
                float(np.mean(played.level[member])),
                tuple(int(c) for c in counts),
            )
        )
    return tuple(found)


def _drifts(course: Course, analysis: Analysis) -> tuple[Drift, ...]:
    """Tempo in every alone stretch of two bars or more in which enough was played."""
    if not analysis.guides:
        return ()
    found = []
    ends = np.r_[analysis.bars.start_s[1:], analysis.bars.end_s]
    for stretch in analysis.alone:
        n_bars = stretch.last_bar - stretch.first_bar + 1
        inside = (course.bar >= stretch.first_bar) & (course.bar <= stretch.last_bar)
        if n_bars < 2 or inside.sum() < _DRIFT_HITS:
            continue
        start_s, end_s = float(analysis.bars.start_s[stretch.first_bar]), float(ends[stretch.last_bar])
        bar_s = (end_s - start_s) / n_bars
        at_bar = (course.nominal_s[inside] - end_s) / bar_s
        slope, error = _slope_with_error(at_bar, course.residual_ms[inside])
        # The last notes tell where the stretch ended; a line through all of it would average over its wandering.
        last = slice(-_LAST_NOTES, None)
        level = float(np.mean(course.residual_ms[inside][last] - slope * at_bar[last]))
        n_beats = int(analysis.bars.beats[stretch.first_bar : stretch.last_bar + 1].sum())
        track_bpm = 60.0 * n_beats / (end_s - start_s)
        found.append(
            Drift(
                int(analysis.bars.number[stretch.first_bar]),
                int(analysis.bars.number[stretch.last_bar]),
                slope,
                error,
                track_bpm / (1 + slope / (1000 * bar_s)),
                track_bpm,
                level,
                _bars_until_back(course, stretch.last_bar),
            )
        )
    return tuple(found)


def _slope_with_error(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Least squares slope and its standard error, widened for neighbours that share their error."""
    centred = x - x.mean()
    power = float(centred @ centred)
    if power <= 0:
        return 0.0, 0.0
    slope = float(centred @ y) / power
    level = float(y.mean()) - slope * float(x.mean())
    rest = y - level - slope * x
    error = float(np.sqrt(rest @ rest / max(1, len(x) - 2) / power))
    shared = float(np.clip(rest[1:] @ rest[:-1] / (rest @ rest), 0.0, 0.95)) if rest @ rest > 0 else 0.0
    return slope, error * float(np.sqrt((1 + shared) / (1 - shared)))


def _bars_until_back(course: Course, last_bar: int) -> int | None:
    """How many bars after a stretch until a bar's mean offset is usual again; None if that never came."""
    for bar in np.unique(course.bar[course.bar > last_bar]):
        here = course.residual_ms[course.bar == bar]
        limit = max(_BACK_MS, 2 * float(np.std(here)) / np.sqrt(len(here)))
        if abs(float(here.mean())) <= limit:
            return int(bar) - last_bar
    return None


def _runs(used: tuple[GridSection, ...]) -> tuple[GridSection, ...]:
    """The grids that the hits were laid on, bar by bar, joined to runs of bars (indices)."""
    found: list[GridSection] = []
    for bar, section in enumerate(used):
        same = found and (found[-1].slots_per_beat, found[-1].swing_ratio) == (
            section.slots_per_beat,
            section.swing_ratio,
        )
        first = found.pop().first_bar if same else bar
        found.append(GridSection(first, bar, section.slots_per_beat, section.swing_ratio))
    return tuple(found)


def _swing(played: Played, matched: Matched, analysis: Analysis) -> tuple[SwingSection, ...]:
    """Swing ratios over runs of bars that were laid on one grid."""
    found = (_swing_of(played, run, analysis, run.first_bar, run.last_bar) for run in _runs(matched.used))
    return tuple(section for section in found if section is not None)


def _swing_of(played: Played, grid: GridSection, analysis: Analysis, first: int, last: int) -> SwingSection | None:
    """Where the second note of the pair falls between the firsts: the ratio of the long to the short part."""
    inside = (played.bar >= first) & (played.bar <= last)
    within = played.position_beats % 1.0
    if grid.slots_per_beat == 3:
        late = inside & (np.abs(within - 2 / 3) < 0.01)
        middle = inside & (np.abs(within - 1 / 3) < 0.01)
        pair, on_grid = 1.0, inside & (np.minimum(within, 1 - within) < 0.01)
        if middle.sum() > 0.2 * late.sum():
            return None
    elif grid.slots_per_beat in (2, 4):
        pair = 2.0 / grid.slots_per_beat
        phase = within % pair / pair
        on = np.minimum(phase, 1 - phase) < 0.05
        late, on_grid = inside & ~on, inside & on
    else:
        return None
    if late.sum() < _SWING_PAIRS or on_grid.sum() < _SWING_PAIRS:
        return None
    beat_ms = _beat_ms(analysis, played.bar)
    nominal_share = within % pair / pair
    # The second note against the mean of the firsts: a constant offset of all notes is no swing.
    lean = float(np.mean(played.offset_ms[on_grid] / beat_ms[on_grid])) / pair
    share = nominal_share[late] + played.offset_ms[late] / beat_ms[late] / pair - lean
    mean = float(np.clip(np.mean(share), 0.05, 0.95))
    error = float(np.std(share) / np.sqrt(len(share))) / (1 - mean) ** 2
    track = analysis.grid.at(first)
    track_ratio = 2.0 if track.slots_per_beat == 3 else track.swing_ratio
    return SwingSection(
        int(analysis.bars.number[first]),
        int(analysis.bars.number[last]),
        mean / (1 - mean),
        error,
        track_ratio,
        int(late.sum()),
    )


def _beat_ms(analysis: Analysis, bar: IntArray) -> FloatArray:
    value: FloatArray = 60000.0 / analysis.tempo.bar_bpm[bar]
    return value


def _gains(played: Played, matched: Matched, analysis: Analysis, habit_ms: FloatArray, alone: IntArray) -> Gains | None:
    """Phase and period correction of the steadiest voice at the finest step that it fills; None if none does."""
    slots = lay_slots(analysis, list(matched.used))
    carried = np.isin(slots.bar, np.r_[alone, matched.fills])
    inside = (slots.nominal_s >= played.nominal_s.min()) & (slots.nominal_s <= played.nominal_s.max())
    chosen = None
    for step, chooses in ((0.5, _on_halves(slots)), (1.0, slots.within == 0)):
        usable = inside & ~carried & chooses
        if not usable.any():
            continue
        for voice in (*sorted(set(played.kind), key=lambda kind: -played.kind.count(kind)), "all"):
            member = np.ones(len(played.kind), np.bool_) if voice == "all" else _is(played.kind, voice)
            struck = np.isin(slots.nominal_s, played.nominal_s[member])
            if float(np.mean(struck[usable])) >= _SERIES_RATE:
                chosen = (voice, step, member, np.flatnonzero(chooses), usable & struck)
                break
        if chosen is not None:
            break
    if chosen is None:
        return None
    voice, step, member, order, usable = chosen
    value: dict[float, list[float]] = {}
    for nominal, offset in zip(played.nominal_s[member], (played.offset_ms - habit_ms)[member], strict=True):
        value.setdefault(float(nominal), []).append(float(offset))
    blocks = _blocks([float(np.mean(value[float(slots.nominal_s[k])])) if usable[k] else None for k in order])
    n = sum(len(block.asynchrony_ms) for block in blocks)
    if n < _SERIES_NOTES:
        return None
    with_period = n >= _PERIOD_NOTES
    fit = estimate_gains(blocks, with_period)
    lengths = [len(block.asynchrony_ms) for block in blocks]
    reliability = reliability_of(fit, lengths) if fit is not None else None
    if fit is None or reliability is None:
        return None
    return Gains(
        voice,
        step,
        n,
        len(blocks),
        fit.phase_gain,
        reliability.phase_error,
        reliability.phase_bias,
        fit.period_gain,
        reliability.period_error,
        reliability.period_bias,
        fit.timekeeper_sd_ms,
        fit.motor_sd_ms,
    )


def _on_halves(slots: Slots) -> NDArray[np.bool_]:
    """(n_slots,) is it a beat or the half of one, swung halves included; none where beats are not halved."""
    per_beat = np.bincount(slots.beat)[slots.beat]
    half: NDArray[np.bool_] = ((per_beat == 2) & (slots.within > 0)) | np.isclose(slots.within, 0.5, atol=0.01)
    if not half.any():
        return half
    result: NDArray[np.bool_] = (slots.within == 0) | half
    return result


def _blocks(series: list[float | None]) -> list[Block]:
    """Cut a row of asynchronies at its gaps; runs that are too short are left out."""
    blocks = []
    run: list[float] = []
    for value in [*series, None]:
        if value is not None:
            run.append(value)
            continue
        if len(run) >= _BLOCK_NOTES:
            a = np.array(run)
            # What comes before a run is unknown, and the first interval is never used.
            blocks.append(Block(a, np.diff(a, prepend=a[0])))
        run = []
    return blocks


def _practice(
    track: Path,
    places: tuple[PlaceSummary, ...],
    drifts: tuple[Drift, ...],
    corrections: tuple[Correction, ...],
    noticeable_ms: float,
) -> Practice:
    """The one exercise for what stands out most, measured in steps that a listener just notices."""
    name = shlex.quote(str(track))
    choices: list[tuple[float, Practice]] = []
    if drifts:
        worst = max(drifts, key=lambda d: abs(d.end_offset_ms))
        bars = int(np.clip(worst.last_bar - worst.first_bar + 1, 1, 8))
        way = "ahead of" if worst.end_offset_ms < 0 else "behind"
        choices.append(
            (
                abs(worst.end_offset_ms) / noticeable_ms,
                Practice(
                    "carry the time alone",
                    f"bars {worst.first_bar}-{worst.last_bar} ended {abs(worst.end_offset_ms):.0f} ms {way} the track",
                    f"pulsefind click {name} --gap {max(2, bars)}:{bars}",
                ),
            )
        )
    jumps = [c for c in corrections if c.spread_share < 0.5]
    if jumps:
        worst_jump = max(jumps, key=lambda c: abs(c.size_ms))
        choices.append(
            (
                abs(worst_jump.size_ms) * (1 - worst_jump.spread_share) / noticeable_ms,
                Practice(
                    "come back evenly: widen or narrow all spaces of a bar alike",
                    f"in bar {worst_jump.first_bar} {abs(worst_jump.size_ms):.0f} ms were taken back nearly at once",
                    f"pulsefind click {name} --gap 2:2",
                ),
            )
        )
    usual = [p for p in places if p.offsets.n >= _PLACE_HITS]
    if usual:
        middle = float(np.median([p.offsets.spread_ms for p in usual]))
        loose = max(usual, key=lambda p: p.offsets.spread_ms)
        choices.append(
            (
                max(0.0, loose.offsets.spread_ms - middle) / noticeable_ms,
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
            "the same with less help",
            "no place, stretch or correction stands out by more than a listener notices",
            f"pulsefind click {name} --ladder",
        )
    return best


def _cautions(analysis: Analysis, alignment: Alignment, played: Played, matched: Matched) -> tuple[str, ...]:
    notes = list(analysis.warnings)
    if not alignment.offset_known:
        notes.append(
            "the start was fitted to the hits: an overall early or late can't be told from it, only how places, kinds "
            "and bars differ; --starts-at tells it"
        )
    elif alignment.method == "given" and alignment.latency_ms is None:
        notes.append(
            "a constant latency of the recording chain is part of every offset; measure it with --calibrate and "
            "give it "
            "with --latency-ms"
        )
    outside = sum(stray.reason == "outside" for stray in matched.strays)
    if outside:
        notes.append(f"{outside} hits lie before the track's first bar or after its last and are not judged")
    n = len(played.time_s) + sum(stray.reason == "extra" for stray in matched.strays)
    if n and len(played.time_s) < 0.7 * n:
        notes.append("many hits lie on no place of the grid: check --starts-at, the track's tempo and its 1")
    return tuple(notes)
