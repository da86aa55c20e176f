"""The recording as the baselines hear it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray


def read_mono(path: Path, rate_hz: int) -> NDArray[np.float32]:
    """Return the recording mixed to mono at the given rate."""
    samples, source_rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    mono = samples.mean(axis=1)
    if source_rate_hz == rate_hz:
        return np.asarray(mono, dtype=np.float32)
    return np.asarray(soxr.resample(mono, source_rate_hz, rate_hz), dtype=np.float32)
