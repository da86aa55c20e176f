"""pulsefind with its own network alone, as a system to be scored."""

from __future__ import annotations

from pathlib import Path

import numpy as np

import pulsefind
from eval.records import Answer, Reference
from eval.system_pulsefind import claimed
from pulsefind.records import Settings


def answer(path: Path, given: Reference | None) -> Answer:
    """Analyse the recording with free weights only, without any hint and without the cache."""
    analysis = pulsefind.analyse(path, Settings(network="own", use_cache=False))
    guides = tuple(claimed(guide, analysis) for guide in analysis.guides)
    return Answer(np.array(analysis.beats.time_s), np.array(analysis.bars.count), guides)
