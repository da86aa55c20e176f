"""Writing results: whole or not at all, and never over something that is there unless asked to."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from pulsefind.core.errors import OutputError


def write_file(path: Path, data: bytes, force: bool) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    OutputError
        if the file exists and force is not given, or it can't be written; nothing is left behind then.
    """
    with new_file(path, force) as temporary:
        temporary.write_bytes(data)


@contextlib.contextmanager
def new_file(path: Path, force: bool) -> Iterator[Path]:
    """Give a temporary file beside path to write to, and rename it to path when the block ends well.

    Raises
    ------
    OutputError
        if the file exists and force is not given, or it can't be written; nothing is left behind then.
    """
    check_free(path, force)
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".pulsefind-", suffix=".part")
        os.close(handle)
        temporary = Path(name)
        yield temporary
        temporary.chmod(0o666 & ~umask())
        _settle(temporary)
        _put(temporary, path, force)
    except OSError as error:
        raise OutputError(f"{path}: can't be written ({error.strerror}); choose another place") from None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _settle(path: Path) -> None:
    """Have the disk take all of a file before it gets its name: a name must not outlive its contents."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _put(temporary: Path, path: Path, force: bool) -> None:
    """Give a file its name; without force never one that another program took in the meantime."""
    if not force:
        try:
            os.link(temporary, path)
        except FileExistsError:
            check_free(path, force)
        except OSError:
            # A disk without hard links.
            check_free(path, force)
        else:
            return
    temporary.replace(path)


def check_free(path: Path, force: bool, source: Path | None = None) -> None:
    """Refuse, before any work is done, a path that can't or may not be written, or is the source itself."""
    if source is not None and _same(path, source):
        raise OutputError(f"{path}: is what is read; choose another name to write to")
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file in it")
    if not path.parent.is_dir():
        raise OutputError(f"{path}: its folder does not exist; make it first")
    if path.exists() and not force:
        raise OutputError(f"{path}: exists already; choose another name, or replace it with --force")


def _same(path: Path, source: Path) -> bool:
    try:
        return path.samefile(source)
    except OSError:
        return False


def umask() -> int:
    """The permissions that new files don't get; it can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
