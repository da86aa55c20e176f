"""Files that are whole or absent: each result is written to a temporary file and renamed.

A result's name is a digest of everything that decides it, so a run that was killed finds what it had finished, and a
change to the audio, the annotation or the code makes for a new name.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from uuid import uuid4

from pulsefind.core.errors import FormatError, OutputError

SCHEMA = 1
PART = ".part"
PART_LIFE_S = 3600.0


def digest(*parts: str) -> str:
    """Return a name for the given parts; no two lists of parts share one."""
    return hashlib.sha256(json.dumps([SCHEMA, *parts]).encode()).hexdigest()[:32]


def file_digest(path: Path) -> str:
    """Return the digest of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield a temporary path to write; it gets its final name if the block succeeds, and is removed if not."""
    part = path.with_name(f".{path.name}.{uuid4().hex}{PART}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        part.replace(path)
    except OSError as error:
        raise OutputError(f"{path}: can't be written ({error.strerror or error}); choose another folder") from error
    finally:
        # Where the folder itself can't be reached there is nothing to remove.
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file in one step: readers see the old content or the new, never a part."""
    with whole_file(path) as part:
        part.write_text(text, encoding="utf-8")


def write_json(path: Path, data: dict[str, Any]) -> None:
    """Write JSON in one step; NaN is refused."""
    write_text(path, json.dumps(data, indent=1, allow_nan=False) + "\n")


def read_json(path: Path) -> dict[str, Any] | None:
    """Return a stored result, or None where there is none; a damaged one counts as none."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return data if isinstance(data, dict) else None


def read_result(path: Path) -> dict[str, Any]:
    """Return a result that a person named; raises FormatError when it isn't one."""
    data = read_json(path)
    if data is None or "tracks" not in data:
        raise FormatError(f"{path}: isn't a result of `python -m eval run` (result.json)")
    return data


def clear_parts(folder: Path) -> None:
    """Remove what killed runs left half-written; anything younger than an hour may belong to a live run."""
    for part in folder.rglob(f".*{PART}"):
        with suppress(FileNotFoundError):
            if time.time() - part.stat().st_mtime > PART_LIFE_S:
                part.unlink()
