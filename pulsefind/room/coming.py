"""Uploads: streamed to disk, checked as they arrive, and either stored whole or not at all."""

from __future__ import annotations

import asyncio
import filecmp
import shutil
import sys
from collections.abc import AsyncIterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import IO

from pulsefind.core.files import new_file
from pulsefind.room.names import HEAD_BYTES, sounds
from pulsefind.room.refusing import RefusedError

RESERVE_BYTES = 2**29
"""Space to keep free on the disk: analysing a long song needs about as much for a while (judged)."""

BLOCK_BYTES = 2**20
"""How much to write at a time, in a thread, so that a busy disk can't hold up the window (judged)."""


async def received(pieces: AsyncIterator[bytes], path: Path, told_bytes: int, others: Sequence[Path] = ()) -> Path:
    """Write an upload to a new file; returns its path, or the path of another file with the same contents.

    Raises
    ------
    RefusedError
        if it doesn't start like a recording, or the disk has no room for it; nothing is left behind.
    OutputError
        if it can't be written.
    """
    await asyncio.to_thread(_check_room, path.parent, told_bytes)
    with ExitStack() as stack:
        temporary = stack.enter_context(new_file(path, False))
        try:
            with temporary.open("wb") as file:
                await _written(pieces, file, path)
            twin = await asyncio.to_thread(_same, temporary, others)
            if twin is not None:
                raise _ThereError(twin)
        except _ThereError as there:
            stack.pop_all().__exit__(*sys.exc_info())
            return there.path
        # Flushing to disk can take a while; do it in a thread.
        await asyncio.to_thread(stack.pop_all().close)
    return path


class _ThereError(Exception):
    """The same recording is on the shelf already."""

    def __init__(self, path: Path) -> None:
        self.path = path


async def _written(pieces: AsyncIterator[bytes], file: IO[bytes], path: Path) -> None:
    block, is_checked = bytearray(), False
    async for piece in pieces:
        block += piece
        if not is_checked and len(block) >= HEAD_BYTES:
            _check_head(block, path)
            is_checked = True
        if len(block) >= BLOCK_BYTES:
            await asyncio.to_thread(_write, file, bytes(block), path.parent)
            block.clear()
    if not is_checked:
        _check_head(block, path)
    await asyncio.to_thread(_write, file, bytes(block), path.parent)


def _write(file: IO[bytes], block: bytes, folder: Path) -> None:
    _check_room(folder, len(block))
    file.write(block)


def _check_head(begun: bytearray, path: Path) -> None:
    if not sounds(bytes(begun[:HEAD_BYTES])):
        raise RefusedError(415, f"{path.name}: is no recording, whatever its name says; drop wav, flac, ogg or mp3")


def _check_room(folder: Path, wanted_bytes: int) -> None:
    free_bytes = shutil.disk_usage(folder).free
    if free_bytes - wanted_bytes < RESERVE_BYTES:
        raise RefusedError(507, f"the disk has only {free_bytes / 1e9:.1f} GB left; free some room first")


def _same(path: Path, others: Sequence[Path]) -> Path | None:
    """Another file with the same contents, if there is one."""
    size = path.stat().st_size
    return next((o for o in others if o.stat().st_size == size and filecmp.cmp(path, o, shallow=False)), None)
