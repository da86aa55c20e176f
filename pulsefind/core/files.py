"""Writing results: whole or not at all, and never over an existing file unless asked to."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import stat
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from pulsefind.core.errors import OutputError
from pulsefind.core.given import is_given
from pulsefind.core.leftovers import sweep, temporary_file, temporary_folder

_HERE, _NO_REPLACE = -100, 1  # published: AT_FDCWD and RENAME_NOREPLACE, Linux's <fcntl.h> and <linux/fs.h>


def write_file(path: Path, data: bytes, force: bool) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    OutputError
        if the file exists and force is not given, or it can't be written; nothing is left behind then.
    """
    with new_file(path, force) as temporary:
        temporary.write_bytes(data)


def rewrite_file(path: Path, data: bytes) -> None:
    """Put new contents, as asked, into a file that was read for this purpose; a link stays a link.

    Raises
    ------
    OutputError
        if it can't be written; it stays as it was then.
    """
    target = Path(os.path.realpath(path))
    _check_place(target)
    with _written(target, True) as temporary:
        temporary.write_bytes(data)


@contextlib.contextmanager
def new_file(path: Path, force: bool) -> Iterator[Path]:
    """Yield a temporary file next to path to write to, and rename it to path if the block succeeds.

    Raises
    ------
    OutputError
        if the file exists and force is not given, it is one that was read, or it can't be written; nothing is left
        behind then.
    """
    check_free(path, force)
    with _written(path, force) as temporary:
        yield temporary


@contextlib.contextmanager
def new_files(paths: Sequence[Path], force: bool) -> Iterator[Path]:
    """Yield a temporary folder to write files of these names to; if the block succeeds all get their place, else none.

    paths: all in one folder, in which the temporary one is.

    Raises
    ------
    OutputError
        as for `new_file`.
    """
    folder = paths[0].parent
    for path in paths:
        check_free(path, force)
    with contextlib.ExitStack() as opened:
        try:
            work = opened.enter_context(temporary_folder(folder))
        except OSError as error:
            raise _not_writable(paths[0], error) from None
        try:
            yield work
            for path in paths:
                _settle(work / path.name)
            for path in paths:
                _put(work / path.name, path, force)
        except OutputError as error:
            # Name the file that was asked for, not the temporary one.
            raise OutputError(str(error).replace(f"{work}{os.sep}", str(folder / "x")[:-1])) from None
        except OSError as error:
            raise _not_writable(folder / Path(error.filename or paths[0]).name, error) from None


@contextlib.contextmanager
def _written(path: Path, force: bool) -> Iterator[Path]:
    try:
        with temporary_file(path.parent) as temporary:
            yield temporary
            temporary.chmod(0o666 & ~umask())
            _settle(temporary)
            _put(temporary, path, force)
    except OSError as error:
        raise _not_writable(path, error) from None


def _settle(path: Path) -> None:
    """Flush all of a file to disk before it gets its name: a name must not outlive its contents."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _put(temporary: Path, path: Path, force: bool) -> None:
    """Give a file its name; without force, never one that another program took in the meantime."""
    if not force:
        try:
            if _renamed(temporary, path):
                return
            # A run that is killed here leaves both names.
            os.link(temporary, path)
        except FileExistsError:
            check_free(path, force)
        except OSError:
            # A file system without hard links.
            check_free(path, force)
        else:
            return
    temporary.replace(path)


def _renamed(old: Path, new: Path) -> bool:
    """Rename in one step without replacing anything; False where the system or the disk can't do that.

    Raises
    ------
    FileExistsError
        if the new name is taken.
    """
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if sys.platform == "linux" else None
    if rename is None:
        return False
    if rename(_HERE, os.fsencode(old), _HERE, os.fsencode(new), _NO_REPLACE) == 0:
        return True
    if (number := ctypes.get_errno()) == errno.EEXIST:
        raise FileExistsError(number, os.strerror(number), str(new))
    return False


def check_free(path: Path, force: bool) -> None:
    """Refuse, before any work, a path that can't or mustn't be written, or that the same command reads.

    Raises
    ------
    OutputError
        for what was given to read, with force too; for a folder, a link, a pipe or a device; where the folder is
        missing or can't be entered, or the name is too long; and for a file that exists, without force.
    """
    if is_given(path):
        raise OutputError(f"{path}: is what is read; choose another name to write to")
    there = _check_place(path)
    if there is not None and not force:
        # A run that is refused writes nothing, and would leave what a killed one has left.
        sweep(path.parent)
        raise OutputError(f"{path}: exists already; choose another name, or replace it with --force")


def _check_place(path: Path) -> os.stat_result | None:
    """Refuse a place where no file can be; returns what is there, None for nothing."""
    try:
        if not stat.S_ISDIR(path.parent.stat().st_mode):
            raise OutputError(f"{path}: its folder is a file; choose another place")
    except FileNotFoundError:
        raise OutputError(f"{path}: its folder does not exist; make it first") from None
    except OSError as error:
        raise _not_writable(path, error) from None
    try:
        there = path.lstat()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _not_writable(path, error) from None
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file in it")
    if stat.S_ISLNK(there.st_mode):
        raise OutputError(f"{path}: is a link; name the file itself, or another")
    if not stat.S_ISREG(there.st_mode):
        raise OutputError(f"{path}: is a pipe or a device; name an ordinary file")
    return there


def _not_writable(path: Path, error: OSError) -> OutputError:
    return OutputError(f"{path}: can't be written ({error.strerror}); choose another place")


def sound_name(path: Path) -> str | bytes:
    """A path as libsndfile takes it: absolute, as it takes a file called "-" for the standard input, and in the bytes
    that the disk has, as those of a name may be no text.
    """
    return str(path.absolute()) if sys.platform == "win32" else os.fsencode(path.absolute())


def umask() -> int:
    """The permissions that new files don't get; the system reveals them only when they are set."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
