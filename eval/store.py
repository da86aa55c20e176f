"""Files that are whole or absent: each result is written beside its place and renamed.

A result's name is a digest of all that decides it, so that a run which was killed finds what it had finished, and a
change of the audio, the annotation or the code makes it look elsewhere.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from pathlib import Path
from typing import Any

from pulsefind.errors import FormatError, OutputError

SCHEMA = 1


def digest(*parts: str) -> str:
    """Return a name for the given parts; no two lists of parts share one."""
    return hashlib.sha256(json.dumps([SCHEMA, *parts]).encode()).hexdigest()[:32]


def file_digest(path: Path) -> str:
    """Return the digest of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_text(path: Path, text: str) -> None:
    """Write a file in one step: readers see the old content or the new, never a part."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).replace(path)
    except OSError as error:
        raise OutputError(f"{path}: can't be written ({error.strerror}); choose another --out folder") from error


def write_json(path: Path, data: dict[str, Any]) -> None:
    """Write JSON in one step; NaN is refused."""
    write_text(path, json.dumps(data, indent=1, sort_keys=True, allow_nan=False) + "\n")


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
    """Remove what killed runs left half-written in a folder and below it."""
    for part in folder.rglob(".*.part"):
        part.unlink(missing_ok=True)
