"""Arrays too long for memory: kept in a temporary file, and out of the way once a part of them has been used."""

from __future__ import annotations

import mmap
import tempfile
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.errors import AudioError

Float32Array = NDArray[np.float32]

IN_MEMORY_BYTES = 64 * 2**20
"""Anything longer goes to a temporary file (judged: from 6 minutes of sound): the system keeps in memory what is used
of it, and gives that up when others need the room.
"""


def gathered(blocks: Iterator[Float32Array], where: str) -> Float32Array:
    """The samples of all blocks, of any shape, in one read-only array (n,), without ever holding two copies.

    The temporary file has no name and lasts as long as the array. No blocks give an empty array.

    Raises
    ------
    AudioError
        if there is no room for the file; where names the recording.
    """
    data = bytearray()
    for block in blocks:
        data += np.ascontiguousarray(block).data
        if len(data) > IN_MEMORY_BYTES:
            return _on_disk(data, blocks, where)
    samples = np.frombuffer(data, np.float32)
    samples.setflags(write=False)
    return samples


def _on_disk(begun: bytearray, blocks: Iterator[Float32Array], where: str) -> Float32Array:
    """The blocks so far and the remaining ones, in a temporary file."""
    try:
        with tempfile.TemporaryFile(prefix="pulsefind-") as file:
            file.write(begun)
            begun.clear()
            for block in blocks:
                file.write(np.ascontiguousarray(block).data)
            file.flush()
            return np.asarray(np.memmap(file, np.float32, "r"))
    except OSError as error:
        raise AudioError(
            f"{where}: no room for its sound in a temporary file ({error.strerror}); "
            "free some, or name another folder in TMPDIR"
        ) from None


def pieces(array: Float32Array, length: int) -> Iterator[Float32Array]:
    """An array (n, ...) in pieces of this length, the last one shorter; each is released when the next is asked for."""
    for first in range(0, len(array), length):
        yield array[first : first + length]
        let_go(array)


def let_go(array: Float32Array) -> None:
    """Release the memory of an array in a temporary file; whatever is used again is read again.

    Does nothing for arrays in memory, or where the system can't do it.
    """
    owner: object = array
    while isinstance(owner, np.ndarray):
        owner = owner.base
    if isinstance(owner, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        owner.madvise(mmap.MADV_DONTNEED)
