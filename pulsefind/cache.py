"""A small, bounded store of activations in the user's cache folder.

An entry is one file: the SHA-256 of the rest, then a NumPy array. It is written to a temporary file and renamed, so
two runs may meet; an entry whose checksum fails counts as absent. The cache is a convenience: where it can't be
read or written, pulsefind computes again and says nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LIMIT_BYTES = 256 * 1024 * 1024
"""The oldest entries go when the folder holds more than this."""

_SUFFIX = ".activations"


def folder() -> Path:
    """The cache folder: PULSEFIND_CACHE, or the platform's own place for caches."""
    if chosen := os.environ.get("PULSEFIND_CACHE"):
        return Path(chosen)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "pulsefind"


def read(key: str) -> NDArray[np.float64] | None:
    """The array stored under a key, or None if there is none that is whole."""
    path = folder() / f"{key}{_SUFFIX}"
    try:
        data = path.read_bytes()
    except OSError:
        return None
    digest, body = data[:32], data[32:]
    if hashlib.sha256(body).digest() != digest:
        return None
    with contextlib.suppress(OSError):
        os.utime(path)
    array: NDArray[np.float64] = np.load(io.BytesIO(body), allow_pickle=False)
    return array


def write(key: str, array: NDArray[np.float64]) -> None:
    """Store an array under a key, then drop the entries that were used longest ago if the store is too large."""
    buffer = io.BytesIO()
    np.save(buffer, array, allow_pickle=False)
    body = buffer.getvalue()
    place = folder()
    with contextlib.suppress(OSError):
        place.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=place, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(hashlib.sha256(body).digest() + body)
            Path(name).replace(place / f"{key}{_SUFFIX}")
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
        _shrink(place)


def _shrink(place: Path) -> None:
    entries = sorted(place.glob(f"*{_SUFFIX}"), key=lambda entry: entry.stat().st_mtime, reverse=True)
    total = 0
    for entry in entries:
        total += entry.stat().st_size
        if total > LIMIT_BYTES:
            entry.unlink(missing_ok=True)
