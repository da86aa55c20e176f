"""The take review: how a player moved against the track."""

from __future__ import annotations

import shlex
from pathlib import Path

import numpy as np

from pulsefind.core.records import Analysis, Audio
from pulsefind.core.words import bars_text
from pulsefind.take.advice import findings_of
from pulsefind.take.alignment import align
from pulsefind.take.corrections import course_of, find_corrections
from pulsefind.take.faint import with_usual_faint
from pulsefind.take.grid_doubt import grid_doubt_of
from pulsefind.take.matching import Matched, match
from pulsefind.take.measures import (
    HISTOGRAM_EDGES_MS,
    drifts_of,
    grid_runs,
    habits,
    is_kind,
    noticeable,
    places_of,
    sections_of,
    summary,
    swing_of,
)
from pulsefind.take.places import alone_bars
from pulsefind.take.records import (
    NOTHING_SPECIAL,
    Alignment,
    Correction,
    Drift,
    PlaceSummary,
    Played,
    Practice,
    Review,
    Summary,
    TakeError,
    TakeHits,
)
from pulsefind.take.steering import gains_of
from pulsefind.take.strokes import without_leak

FEWEST_HITS = 8
FEWEST_BARS = 2

_PLACE_HITS = 8


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
    if alignment.method == "leak" and track_audio is not None:
        hits = without_leak(hits, alignment.to_track(hits.time_s), track_audio)
    matched = match(analysis, hits, alignment.to_track(hits.time_s))
    if hits.faint is not None:
        hits = with_usual_faint(hits, alignment.to_track(hits.faint.time_s), matched, analysis)
        matched = match(analysis, hits, alignment.to_track(hits.time_s))
    played = matched.played
    if len(played.time_s) < FEWEST_HITS or len(np.unique(played.bar)) < FEWEST_BARS:
        raise TakeError(
            f"{recording}: laid on the track at {alignment.starts_at_s:.2f} s, fewer than {FEWEST_HITS} hits or "
            "two bars "
            "of it meet the track's bars; check --starts-at and that it is a take of this track"
        )
    alone = alone_bars(analysis)
    habit_ms = habits(played, alone, matched.fills)
    course = course_of(played, habit_ms)
    drifts = drifts_of(course, analysis)
    corrections = find_corrections(course, analysis, drifts, alone)
    noticeable_ms = noticeable(played)
    places = places_of(played, hits.level_unit)
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
        kinds={kind: summary(played.offset_ms[is_kind(played.kind, kind)]) for kind in sorted(set(played.kind))},
        sections=sections_of(played, analysis, alone, matched.fills),
        places=places,
        histogram_edges_ms=HISTOGRAM_EDGES_MS,
        drifts=drifts,
        grid=grid_runs(matched.used),
        swing=swing_of(played, matched, analysis),
        corrections=corrections,
        gains=gains_of(played, matched, analysis, habit_ms, alone),
        noticeable_ms=noticeable_ms,
        played=played,
        strays=matched.strays,
        missed=matched.missed,
        practice=_practice(track, places, drifts, corrections, noticeable_ms),
        notes=hits.notes + _cautions(analysis, alignment, played, matched),
        grid_doubt=grid_doubt_of(analysis, alignment, played, track, recording),
        findings=findings_of(played, course, habit_ms, analysis, alone, matched.fills, hits.level_unit, track),
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
        stretch = bars_text(worst.first_bar, worst.last_bar)
        choices.append(
            (
                abs(worst.end_offset_ms) / noticeable_ms,
                Practice(
                    "carry the time alone",
                    f"{stretch} ended {abs(worst.end_offset_ms):.0f} ms {way} the track",
                    f"pulsefind click {name} --clickless {max(2, bars)}:{bars}",
                ),
            )
        )
    jumps = [c for c in corrections if c.spread_share < 0.5]
    if jumps:
        worst_jump = max(jumps, key=lambda c: abs(c.size_ms))
        bar = bars_text(worst_jump.first_bar)
        choices.append(
            (
                abs(worst_jump.size_ms) * (1 - worst_jump.spread_share) / noticeable_ms,
                Practice(
                    "come back evenly: widen or narrow all spaces of a bar alike",
                    f"{abs(worst_jump.size_ms):.0f} ms were taken back nearly at once in {bar}",
                    f"pulsefind click {name} --clickless 2:2",
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
            NOTHING_SPECIAL,
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
            "a constant latency of the recording chain is part of every offset; measure it with --how-late and "
            "give it with --latency-ms"
        )
    outside = sum(stray.reason == "outside" for stray in matched.strays)
    if outside:
        lie = "hit lies" if outside == 1 else "hits lie"
        judged = "is" if outside == 1 else "are"
        notes.append(f"{outside} {lie} before the track's first bar or after its last and {judged} not judged")
    n = len(played.time_s) + sum(stray.reason == "extra" for stray in matched.strays)
    if n and len(played.time_s) < 0.7 * n:
        notes.append("many hits lie on no place of the grid: check --starts-at, the track's tempo and its 1")
    return tuple(notes)
