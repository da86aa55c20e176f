"""What applies: the hints given for this run, and where those say nothing, the song's file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pulsefind.core.corrections import last_time_s, within
from pulsefind.core.errors import HintError
from pulsefind.core.records import Analysis, FloatArray, Settings, Stretch


def obeyed(settings: Settings, duration_s: float) -> Settings:
    """The settings, completed by the song's file where nothing else was given.

    duration_s is the recording's length; if only a part of it is analysed, only times within that count. The file's
    first 1 becomes one_at_s and the others stay in corrections.ones; with counted taps, which give the 1 themselves,
    all stay.

    Raises
    ------
    HintError
        if the file names a time beyond the recording.
    """
    known = settings.corrections
    if last_time_s(known) > duration_s:
        raise HintError(
            f"the song's file names {last_time_s(known):.2f} s, but the recording ends at {duration_s:.2f} s; "
            "check that they belong together"
        )
    whole = settings.start_s is None and settings.end_s is None
    start_s = known.start_s if whole else settings.start_s
    end_s = known.end_s if whole else settings.end_s
    known = within(known, start_s or 0.0, duration_s if end_s is None else end_s)
    if settings.one_at_s is not None:
        known = replace(known, ones=())
    if settings.taps_s:
        known = replace(known, taps_s=(), taps_count=(), taps_by_ear=False)
    if settings.bpm_low is not None:
        known = replace(known, bpm_low=None, bpm_high=None)
    held = settings
    if known.taps_s:
        taps = (known.taps_s, known.taps_count, known.taps_by_ear)
        held = replace(held, taps_s=taps[0], taps_count=taps[1], taps_by_ear=taps[2])
    if known.ones and not held.taps_count:
        one, rest = known.ones[0], known.ones[1:]
        known = replace(known, ones=rest)
        held = replace(held, one_at_s=one.time_s, one_exact=one.exact)
    return replace(
        held,
        meter=settings.told_meter,
        bpm_low=settings.bpm_low if known.bpm_low is None else known.bpm_low,
        bpm_high=settings.bpm_high if known.bpm_high is None else known.bpm_high,
        start_s=start_s,
        end_s=end_s,
        nudge_ms=known.nudge_ms if settings.nudge_ms is None else settings.nudge_ms,
        corrections=known,
    )


def nudged(analysis: Analysis, nudge_ms: float) -> Analysis:
    """The analysis with its whole grid moved, later if nudge_ms is positive: beats, bars, guides, and stretches alone.

    Raises
    ------
    HintError
        if a beat would come before the recording does.
    """
    if not nudge_ms or not len(analysis.beats.time_s):
        return analysis
    by_s = nudge_ms / 1000
    time_s = _moved(analysis.beats.time_s, by_s)
    if (np.diff(time_s) <= 0).any():
        raise HintError(f"nudge_ms {nudge_ms:g}: moves beats to before the recording; nudge by less")
    return replace(
        analysis,
        beats=replace(analysis.beats, time_s=time_s),
        bars=replace(analysis.bars, start_s=time_s[analysis.bars.first_beat], end_s=analysis.bars.end_s + by_s),
        guides=tuple(
            replace(
                guide,
                hits=replace(guide.hits, time_s=_moved(guide.hits.time_s, by_s)),
                coverage=_moved_stretches(guide.coverage, by_s),
            )
            for guide in analysis.guides
        ),
        alone=_moved_stretches(analysis.alone, by_s),
    )


def _moved(time_s: FloatArray, by_s: float) -> FloatArray:
    moved: FloatArray = np.maximum(time_s + by_s, 0.0)
    return moved


def _moved_stretches(stretches: tuple[Stretch, ...], by_s: float) -> tuple[Stretch, ...]:
    return tuple(
        replace(one, start_s=max(0.0, one.start_s + by_s), end_s=max(0.0, one.end_s + by_s)) for one in stretches
    )
