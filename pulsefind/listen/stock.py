"""madmom's networks, for a second opinion. The only file that imports madmom."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from pulsefind.core import cache
from pulsefind.core.child import worker_pool
from pulsefind.core.errors import HintError
from pulsefind.core.records import Audio, FloatArray
from pulsefind.listen.audio import rms
from pulsefind.listen.madmom_name import madmom_can_be_imported

MISSING = (
    "--network: madmom's networks aren't installed: leave it out, or pip install 'pulsefind[madmom]' "
    "(Python 3.11 to 3.13 on x86-64, or on Macs with Apple silicon)"
)

_VERSION = "stock-2"
_LEVEL = 0.2
"""Root mean square at which they listen: about that of released songs, on which they were trained (common practice, no
source).
"""

_FRAME_RATE_HZ = 100.0  # published: of madmom's networks
_SHORT_S = 20.0
"""For shorter recordings, starting helper processes costs more than it saves (judged)."""

_WHOLE_S, _PIECE_S, _MARGIN_S = 600, 300, 30
"""Up to _WHOLE_S a recording is heard as a whole; a longer one in pieces, with a margin on either side far longer than
the networks' memory (judged).
"""


def stock_activations(audio: Audio, use_cache: bool) -> FloatArray:
    """(n_frames, 2) outputs of madmom's networks, perhaps cached, 100 times a second: other beats, downbeats.

    They always get the recording at the same level, since their outputs depend on it.

    Raises
    ------
    HintError
        if madmom isn't installed.
    """
    check = cache.shaped(("n", 2))
    (values,) = cache.kept(lambda: f"{_VERSION}-{audio.sha256}", lambda: (_values(audio),), use_cache, check)
    return values


def _values(audio: Audio) -> FloatArray:
    """Beat and downbeat probabilities of madmom's ensemble of eight bidirectional LSTM networks.

    Method: S. Böck, F. Krebs and G. Widmer, "Joint beat and downbeat tracking with recurrent neural networks",
    ISMIR 2016.
    """
    with madmom_can_be_imported(), warnings.catch_warnings():
        # madmom 0.17 uses names that NumPy and the standard library have announced they will drop.
        warnings.simplefilter("ignore")
        try:
            from madmom.audio.signal import Signal
            from madmom.features.downbeats import RNNDownBeatProcessor
        except ImportError as error:
            raise HintError(MISSING) from error

        gain = np.float32(_LEVEL / (rms(audio.samples) or 1.0))
        network = RNNDownBeatProcessor(num_threads=1)
        with _sharing(network, audio.duration_s > _SHORT_S):
            pieces = [
                np.asarray(network(Signal(gain * audio.samples[first:last], sample_rate=audio.rate_hz, num_channels=1)))
                for first, last in _pieces(len(audio.samples), audio.rate_hz)
            ]
    values = _joined(pieces)
    return np.clip(values.reshape(-1, 2), 0.0, 1.0)


@contextmanager
def _sharing(network: Any, worthwhile: bool) -> Iterator[None]:
    """Run the networks of the ensemble in parallel if there are processors for it.

    madmom's own pool is never closed, and its processes outlive a killed parent.
    """
    processes = min(os.cpu_count() or 1, 8) if worthwhile else 1
    if processes == 1:
        yield
        return
    with worker_pool(processes) as pool:
        for ensemble in network.processors:
            for stage in getattr(ensemble, "processors", ()):
                if hasattr(stage, "map"):
                    stage.map = pool.map
        yield


def _pieces(n: int, rate_hz: int) -> list[tuple[int, int]]:
    """First and last sample of each piece: long recordings are cut, so that memory stays bounded."""
    if n <= _WHOLE_S * rate_hz:
        return [(0, n)]
    step, margin = _PIECE_S * rate_hz, _MARGIN_S * rate_hz
    return [(max(0, first - margin), min(n, first + step + margin)) for first in range(0, n, step)]


def _joined(pieces: list[FloatArray]) -> FloatArray:
    """Join pieces in the middle of their overlap."""
    if len(pieces) == 1:
        return pieces[0]
    step, margin = round(_PIECE_S * _FRAME_RATE_HZ), round(_MARGIN_S * _FRAME_RATE_HZ)
    kept = [pieces[0][:step]]
    kept += [piece[margin : margin + step] for piece in pieces[1:-1]]
    return np.concatenate([*kept, pieces[-1][margin:]])
