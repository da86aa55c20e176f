"""Stock madmom: what most people use for beats and 1s, as its authors ship it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from eval.records import Answer, Reference
from eval.scoring.mono import read_mono
from pulsefind.listen.madmom_name import madmom_can_be_imported

RATE_HZ = 44100
FRAME_RATE_HZ = 100
BEATS_PER_BAR = [3, 4]

with madmom_can_be_imported():
    from madmom.audio.signal import Signal
    from madmom.features.downbeats import DBNDownBeatTrackingProcessor, RNNDownBeatProcessor


def answer(path: Path, given: Reference | None) -> Answer:
    """Run the downbeat networks and the bar-pointer model with 3 and 4 beats a bar (Böck, Krebs and Widmer
    2016).
    """
    signal = Signal(read_mono(path, RATE_HZ), sample_rate=RATE_HZ, num_channels=1)
    activations = RNNDownBeatProcessor()(signal)
    tracker = DBNDownBeatTrackingProcessor(beats_per_bar=BEATS_PER_BAR, fps=FRAME_RATE_HZ)
    rows = np.asarray(tracker(activations), dtype=np.float64).reshape(-1, 2)
    return Answer(beat_s=rows[:, 0], count=rows[:, 1].astype(np.int64))
