"""pulsefind as a system to be scored, through its public names only."""

from __future__ import annotations

from pathlib import Path

import numpy as np

import pulsefind
from eval.records import Answer, ClaimedGuide, Reference
from pulsefind.core.records import Analysis, Guide, Settings


def answer(path: Path, given: Reference | None) -> Answer:
    """Analyse the recording without any hint and without the cache."""
    return analysed(path, Settings(use_cache=False))


def analysed(path: Path, settings: Settings) -> Answer:
    """What pulsefind says with these settings."""
    analysis = pulsefind.analyse(path, settings)
    return Answer(
        beat_s=np.array(analysis.beats.time_s),
        count=np.array(analysis.bars.count),
        guides=tuple(claimed(guide, analysis) for guide in analysis.guides),
        sure={"one": analysis.confidence.one, "half": analysis.confidence.half, "octave": analysis.confidence.octave},
    )


def claimed(guide: Guide, analysis: Analysis) -> ClaimedGuide:
    """Return a guide's places as fractions of the bar, in the meter of the bars in which it sounds."""
    meters = analysis.bars.beats_per_bar[np.unique(guide.hits.bar)] if len(guide.hits.bar) else np.array([4])
    beats_per_bar = int(np.bincount(meters).argmax())
    position = [place.bar - 1 + place.position_beats / beats_per_bar for place in guide.places]
    return ClaimedGuide(
        guide.name, guide.pattern_bars, np.array(position, dtype=np.float64), np.array(guide.hits.time_s)
    )
