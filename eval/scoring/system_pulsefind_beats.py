"""pulsefind's guides on the annotated beats: what is left once beats and bars are right."""

from __future__ import annotations

from pathlib import Path

import numpy as np

import pulsefind
from eval.records import Answer, Reference
from eval.scoring.metrics import meter
from eval.scoring.system_pulsefind import claimed
from pulsefind.beats.imported import USUAL_UNIT
from pulsefind.core.records import Pulse, Settings


def answer(path: Path, given: Reference | None) -> Answer:
    """Return the guides that are found on the given beats; without bars none are looked for."""
    if given is None:
        raise ValueError("the guides on true beats need the annotated beats")
    beats_per_bar = None if given.count is None else meter(given.count)
    if given.count is None or beats_per_bar is None:
        return Answer(given.beat_s, given.count)
    n_beats = len(given.beat_s)
    pulse = Pulse(given.beat_s, given.count, np.full(n_beats, beats_per_bar), USUAL_UNIT, 1.0, 1.0, 1.0)
    analysis = pulsefind.analyse(path, Settings(network="own", use_cache=False), beats_from=pulse)
    return Answer(given.beat_s, given.count, guides=tuple(claimed(guide, analysis) for guide in analysis.guides))
