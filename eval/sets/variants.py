"""The same recordings, changed in ways no listener would mind: how far a figure moves then is its noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from eval.records import Track
from eval.store import whole_file
from pulsefind.core.errors import FormatError

Samples = NDArray[np.float64]

SHIFT_S = 0.0137
QUIET_DB = -7.0
HISS_DB = -60.0
SEED = 1


def _quieter(samples: Samples, rate_hz: int) -> Samples:
    """Turn the recording down."""
    return samples * 10 ** (QUIET_DB / 20)


def _later(samples: Samples, rate_hz: int) -> Samples:
    """Put silence before the recording, not a whole number of anyone's frames."""
    return np.concatenate([np.zeros((round(SHIFT_S * rate_hz), samples.shape[1])), samples])


def _hissing(samples: Samples, rate_hz: int) -> Samples:
    """Lay quiet noise under the recording."""
    noise = np.random.default_rng(SEED).standard_normal(samples.shape)
    return samples + 10 ** (HISS_DB / 20) * noise


VARIANTS: dict[str, Callable[[Samples, int], Samples]] = {
    "quieter": _quieter,
    "later": _later,
    "hissing": _hissing,
}


def varied(track: Track, variant: str, folder: Path) -> Track:
    """Return the track with its recording changed, written below the folder; its annotation moves along."""
    if variant not in VARIANTS:
        raise FormatError(f"no variant is called {variant!r}; choose from: {', '.join(VARIANTS)}")
    path = folder / variant / track.set_name / f"{track.audio.stem}.wav"
    samples, rate_hz = soundfile.read(track.audio, always_2d=True, dtype="float64")
    with whole_file(path) as part:
        soundfile.write(part, VARIANTS[variant](samples, rate_hz), rate_hz, format="WAV", subtype="FLOAT")
    shift_s = round(SHIFT_S * rate_hz) / rate_hz if variant == "later" else 0.0
    reference = track.reference
    drums = reference.drums
    moved = replace(
        reference,
        beat_s=reference.beat_s + shift_s,
        drums=None if drums is None else {name: hits + shift_s for name, hits in drums.items()},
    )
    return replace(track, audio=path, duration_s=track.duration_s + shift_s, reference=moved)
