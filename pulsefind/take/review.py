"""The take review: how a player moved against the track.

Strokes -> alignment -> matching -> measures -> review, one file each. advice, grid_doubt, practice and cautions are
what the review makes of the measures.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pulsefind.core.records import Analysis, Audio
from pulsefind.core.words import name_text
from pulsefind.take.advice import findings_of
from pulsefind.take.alignment import align
from pulsefind.take.cautions import cautions_of
from pulsefind.take.grid_doubt import grid_doubt_of
from pulsefind.take.matching import Matched, match
from pulsefind.take.measures import HISTOGRAM_EDGES_MS, measure
from pulsefind.take.practice import practice_of
from pulsefind.take.records import (
    Advice,
    Alignment,
    Movement,
    Played,
    Review,
    Strokes,
    Subject,
    Summary,
    TakeError,
    TakeHits,
    Timing,
)
from pulsefind.take.strokes import without_leak

FEWEST_HITS = 8
"""Fewer hits than this show no habit (judged)."""

FEWEST_BARS = 2
"""Nor do fewer bars (judged)."""


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

    If the start can't be told, the review is empty except for its alignment, whose candidates show what is possible.

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
    faint_s = alignment.to_track(hits.faint.time_s) if hits.faint is not None else None
    matched = match(analysis, hits, alignment.to_track(hits.time_s), faint_s)
    _check_matched(matched, alignment, recording)
    measures = measure(matched, analysis, hits.level_unit)
    advice = Advice(
        practice_of(track, measures.timing, measures.movement),
        findings_of(matched, measures, analysis, hits.level_unit, track),
        grid_doubt_of(analysis, alignment, matched.played, track, recording),
        hits.notes + cautions_of(analysis, alignment, matched),
    )
    return Review(
        _subject(analysis, hits, recording),
        "reviewed",
        alignment,
        latency_ms,
        Strokes(matched.played, matched.strays, matched.missed, matched.grid),
        measures.timing,
        measures.movement,
        advice,
    )


def _subject(analysis: Analysis, hits: TakeHits, recording: Path) -> Subject:
    name = name_text(recording.name)
    return Subject(analysis.track.name, analysis.track.sha256, name, hits.source, hits.level_unit)


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


def _check_matched(matched: Matched, alignment: Alignment, recording: Path) -> None:
    played = matched.played
    if len(played.time_s) < FEWEST_HITS or len(np.unique(played.bar)) < FEWEST_BARS:
        raise TakeError(
            f"{recording}: laid on the track at {alignment.starts_at_s:.2f} s, fewer than {FEWEST_HITS} of its "
            "hits, or fewer than two of its bars, meet the track's bars; check --starts-at and that it is a take of "
            "this track"
        )


def _unplaced(
    analysis: Analysis, hits: TakeHits, recording: Path, alignment: Alignment, latency_ms: float | None
) -> Review:
    nothing = np.zeros(0)
    none = np.zeros(0, np.int64)
    played = Played(nothing, nothing, nothing, none, nothing, (), (), nothing, none.astype(np.bool_))
    return Review(
        _subject(analysis, hits, recording),
        "several starts are possible" if alignment.candidates else "can't tell",
        alignment,
        latency_ms,
        Strokes(played),
        Timing(Summary(0.0, 0.0, 0), {}, (), (), HISTOGRAM_EDGES_MS, 0.0),
        Movement(),
        Advice(notes=hits.notes),
    )
