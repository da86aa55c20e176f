"""Temporary files and folders that a killed run may leave, and the next run sweeps away.

Each is known by its name, and held by a lock (flock) as long as the run that made it lives: the kernel lets go of it
however that ends, so what nobody holds is nobody's. Only what is this user's own is swept, and no link is followed.
Where there are no such locks (Windows, some network disks) nothing is swept.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

if sys.platform != "win32":
    import fcntl

PREFIX, SUFFIX = ".pulsefind-", ".part"
_NAME = re.compile(re.escape(PREFIX) + r"[a-z0-9_]{8}" + re.escape(SUFFIX))  # as tempfile makes them


@contextlib.contextmanager
def temporary_file(folder: Path) -> Iterator[Path]:
    """A file in a folder, gone when the block is left, if it has no other name by then."""

    def make() -> tuple[int, str]:
        return tempfile.mkstemp(dir=folder, prefix=PREFIX, suffix=SUFFIX)

    with _held(make, folder) as path:
        try:
            yield path
        finally:
            path.unlink(missing_ok=True)


@contextlib.contextmanager
def temporary_folder(folder: Path) -> Iterator[Path]:
    """A folder in a folder, gone with all that is in it when the block is left, if it has no other name by then."""

    def make() -> tuple[int, str]:
        name = tempfile.mkdtemp(dir=folder, prefix=PREFIX, suffix=SUFFIX)
        return -1 if sys.platform == "win32" else os.open(name, os.O_RDONLY), name

    with _held(make, folder) as path:
        try:
            yield path
        finally:
            shutil.rmtree(path, ignore_errors=True)


@contextlib.contextmanager
def _held(make: Callable[[], tuple[int, str]], folder: Path) -> Iterator[Path]:
    """What `make` makes, locked for the length of the block; before it, what killed runs left there is swept."""
    sweep(folder)
    handle, name = make()
    while not _locked(handle, name):
        # Another run swept it before it was locked.
        os.close(handle)
        handle, name = make()
    if sys.platform == "win32" and handle >= 0:
        # There an open file can't be renamed.
        os.close(handle)
        handle = -1
    try:
        yield Path(name)
    finally:
        if handle >= 0:
            os.close(handle)


def _locked(handle: int, name: str) -> bool:
    """Lock what was made, where that can be done; False if it is gone."""
    if sys.platform == "win32":
        return True
    with contextlib.suppress(OSError):
        fcntl.flock(handle, fcntl.LOCK_EX)
    return os.path.lexists(name)


@contextlib.contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """For the length of the block no other run that asks for it is in a folder; where there are no locks, none asks."""
    if sys.platform == "win32":
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def sweep(folder: Path) -> None:
    """Take away what killed runs of this user left in a folder; what can't be taken away stays."""
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if _NAME.fullmatch(entry.name):
                with contextlib.suppress(OSError):
                    _take_away(Path(entry.path))


def _take_away(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        status = os.fstat(handle)
        if status.st_uid == os.geteuid():
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if stat.S_ISDIR(status.st_mode):
                shutil.rmtree(path)
            elif stat.S_ISREG(status.st_mode):
                path.unlink()
    finally:
        os.close(handle)
