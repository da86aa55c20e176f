"""Examples on disk, as plain arrays that several learners read at once."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np

from eval.reader.examples import Example


def store(songs: list[list[Example]], folder: Path) -> None:
    """Write all examples of all songs."""
    folder.mkdir(parents=True, exist_ok=True)
    flat = [example for song in songs for example in song]
    rows = [r for e in flat for r in e.rows]
    _write(folder / "rows.npy", rows)
    _write(folder / "place.npy", [p for e in flat for p in e.place])
    meta = {
        "lengths": [len(r) for r in rows],
        "kinds": [list(e.kind) for e in flat],
        "right": [e.right for e in flat],
        "style": [e.style for e in flat],
        "seconds": [e.seconds for e in flat],
        "songs": [len(song) for song in songs],
    }
    (folder / "meta.json").write_text(json.dumps(meta))


def _write(path: Path, parts: list[np.ndarray]) -> None:
    shape = (sum(len(p) for p in parts), *parts[0].shape[1:])
    out = np.lib.format.open_memmap(path, "w+", parts[0].dtype, shape)
    at = 0
    for part in parts:
        out[at : at + len(part)] = part
        at += len(part)
    out.flush()


def stored(folder: Path) -> list[list[Example]]:
    """Read what store() wrote."""
    meta = json.loads((folder / "meta.json").read_text())
    rows = np.load(folder / "rows.npy", mmap_mode="r", allow_pickle=False)
    place = np.load(folder / "place.npy", mmap_mode="r", allow_pickle=False)
    edges = list(pairwise(np.r_[0, np.cumsum(meta["lengths"])].tolist()))
    flat, at = [], 0
    for kinds, right, style, seconds in zip(meta["kinds"], meta["right"], meta["style"], meta["seconds"], strict=True):
        spans = edges[at : at + len(kinds)]
        at += len(kinds)
        flat.append(
            Example(
                tuple(rows[a:b] for a, b in spans),
                tuple(place[a:b] for a, b in spans),
                tuple(kinds),
                right,
                style,
                seconds,
            )
        )
    cuts = np.r_[0, np.cumsum(meta["songs"])].tolist()
    return [flat[a:b] for a, b in pairwise(cuts)]
