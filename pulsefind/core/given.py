"""What a command was given to read: small files read whole, and none of them ever overwritten.

Files are identified by device and inode, so that links don't hide them, and by resolved path, so that a file that
doesn't exist yet (a history) counts too. They are remembered for the length of one command, in a context variable:
every reader notes its file, and the one place that writes checks.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from contextvars import ContextVar
from pathlib import Path

from pulsefind.core.errors import FormatError, HintError

SOUNDS = (".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".m4a", ".aac", ".aif", ".aiff", ".wma")
"""Endings of recordings, to tell them from other files of a folder."""

_Identity = tuple[int, int] | str

_GIVEN: ContextVar[set[_Identity] | None] = ContextVar("given", default=None)


@contextlib.contextmanager
def kept_safe() -> Iterator[None]:
    """For the length of the block, files noted as given are refused as outputs."""
    token = _GIVEN.set(set())
    try:
        yield
    finally:
        _GIVEN.reset(token)


def note_given(path: Path) -> None:
    """Protect a file, whether it exists or not, from being overwritten until the block of `kept_safe` ends."""
    given = _GIVEN.get()
    if given is not None:
        given.update(_identities(path))


def is_given(path: Path) -> bool:
    """Was a path noted, under whatever name?"""
    return not _identities(path).isdisjoint(_GIVEN.get() or ())


def holds_given(folder: Path) -> bool:
    """Does this folder directly hold a file that was noted?"""
    place = Path(os.path.realpath(folder))
    return any(isinstance(one, str) and Path(one).parent == place for one in _GIVEN.get() or ())


def is_folder(path: Path) -> bool:
    """Is there a folder, as far as can be seen?"""
    try:
        return path.is_dir()
    except OSError:
        return False


def is_regular(path: Path) -> bool:
    """Is there an ordinary file, as far as can be seen?"""
    try:
        return path.is_file()
    except OSError:
        return False


def recordings_in(folder: Path) -> list[Path]:
    """The recordings that lie in a folder itself, by name.

    Raises
    ------
    HintError
        if it can't be looked into.
    """
    try:
        return sorted(path for path in folder.iterdir() if path.suffix.lower() in SOUNDS and is_regular(path))
    except OSError as error:
        raise HintError(f"{folder}: can't be looked into ({error.strerror}); name another folder") from None


def _identities(path: Path) -> set[_Identity]:
    """Resolved path, and device and inode where there is a file."""
    found: set[_Identity] = {os.path.realpath(path)}
    with contextlib.suppress(OSError, ValueError):
        status = path.stat()
        found.add((status.st_dev, status.st_ino))
    return found


def read_given(path: Path, largest_bytes: int, what: str) -> bytes:
    """The bytes of a regular file of sane size.

    Parameters
    ----------
    path
        The file.
    largest_bytes
        More than this is refused before more is read.
    what
        What it should be, for errors: "a saved analysis".

    Raises
    ------
    FormatError
        if it can't be read, is a folder, a pipe or a device, or is larger.

    Examples
    --------
    >>> read_given(Path("/dev/zero"), 1000, "a saved analysis")
    Traceback (most recent call last):
    pulsefind.core.errors.FormatError: /dev/zero: is no regular file, so not a saved analysis; name another
    """
    note_given(path)
    try:
        # Opened without blocking: a pipe that nobody writes to would hold us up for ever.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(handle, "rb") as file:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise FormatError(f"{path}: is no regular file, so not {what}; name another")
            data = file.read(largest_bytes + 1)
    except OSError as error:
        raise FormatError(f"{path}: can't be read ({error.strerror}); check the name") from None
    if len(data) > largest_bytes:
        raise FormatError(f"{path}: is larger than {_size(largest_bytes)}, too large to be {what}; name another")
    return data


def _size(n_bytes: int) -> str:
    return f"{n_bytes / 2**20:.0f} MiB"
