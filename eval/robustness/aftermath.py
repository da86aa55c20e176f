"""What a run has left in its folder, its cache and its place for temporary files: all of it as digests, compared.

A file counts as whole if its bytes are those that runs give which nobody broke off. Left out of the bytes is what is
meant to differ: when a take was reviewed, when a PDF was printed, what a scoring run took.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import time
from collections.abc import Collection, Mapping
from pathlib import Path

Tree = Mapping[str, str]
"""Paths in a folder, with a slash at the end of folders' names, and digests of the files' contents."""

TEMPORARY = re.compile(r"(?:^|/)\.pulsefind-[a-z0-9_]{8}\.part(?:/|$)")
"""A name that the next run sweeps away: published (pulsefind/core/leftovers.py)."""

_DATES = re.compile(
    rb"/(?:CreationDate|ModDate) ?\([^)]*\)|/ID ?\[[^\]]*\]|<(?:\w+:)?(?:Create|Modify|Metadata)Date>[^<]*"
)
_REVIEWED = re.compile(rb'"reviewed_at": ?"[^"]*"')


def tree(place: Path) -> dict[str, str]:
    """All files and folders below a folder."""
    found = {}
    for folder, folders, files in os.walk(place):
        inside = Path(folder).relative_to(place)
        for name in folders:
            found[f"{(inside / name).as_posix()}/"] = ""
        for name in files:
            found[(inside / name).as_posix()] = digest(Path(folder) / name)
    return found


def digest(path: Path) -> str:
    """Of a file's contents, less what is meant to differ between two runs."""
    if path.is_symlink():
        return f"a link to {path.readlink()}"
    if not path.is_file():
        return "a socket or a pipe"
    data = path.read_bytes()
    if path.suffix == ".pdf":
        data = _DATES.sub(b"", data)
    elif path.suffix == ".jsonl":
        data = _REVIEWED.sub(b"", data)
    elif "scores" in path.parts:
        return _scores(path, data)
    return hashlib.sha256(data).hexdigest()


def _scores(path: Path, data: bytes) -> str:
    """Of the scores of a run: costs differ, and a run that goes on keeps what is measured track by track."""
    if path.suffix != ".json":
        return "a table, with costs"
    try:
        kept = json.loads(data)
    except ValueError:
        return "no JSON"
    if path.name == "result.json":
        kept = [[track["name"], track["systems"]["pulsefind"]["values"]] for track in kept["tracks"]]
        return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()
    return "JSON"


def left_by_a_break(before: Tree, whole: Tree, now: Tree, tidy: bool) -> list[str]:
    """What is wrong in a folder right after a run was broken off: each file must be as before it, or as a whole run
    leaves it, or have a temporary name. Of a tidy end (not a kill) no temporary name is left either.
    """
    wrong = []
    for path, mark in now.items():
        if TEMPORARY.search(path):
            if tidy:
                wrong.append(f"left behind: {path}")
        elif path not in before and path not in whole:
            wrong.append(f"left behind under a name of its own: {path}")
        elif mark not in (before.get(path), whole.get(path)):
            wrong.append(f"{path} is there, but not whole")
    return wrong + [f"{path} is gone" for path in before if path not in now]


def left_by_the_next(wholes: Collection[Tree], now: Tree) -> list[str]:
    """What is wrong after the same command has been run to its end: all must be as one of the whole runs leaves it."""
    known = {path for whole in wholes for path in whole}
    wrong = [f"still there after the next run: {path}" for path in now if path not in known]
    for path in sorted(known):
        marks = [whole.get(path) for whole in wholes]
        if now.get(path) not in marks:
            wrong.append(f"after the next run {path} is {'something else' if path in now else 'not there'}")
    return wrong


def running_in(place: Path) -> list[int]:
    """Processes (their ids) that work in a folder, or were told of it, in their words or in their environment."""
    found, name = [], os.fsencode(place)
    for process in Path("/proc").glob("[0-9]*"):
        try:
            told = (process / "environ").read_bytes() + (process / "cmdline").read_bytes()
            if name in told or (process / "cwd").readlink() == place:
                found.append(int(process.name))
        except OSError:
            # It has ended meanwhile, or is somebody else's.
            continue
    return [number for number in found if number != os.getpid()]


def none_runs_in(place: Path, patience_s: float) -> bool:
    """Do all processes that work in a folder end by themselves?"""
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        if not running_in(place):
            return True
        time.sleep(0.02)
    return False
