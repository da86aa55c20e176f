"""Sets through mirdata: it knows where their files lie, how they are read, and their published checksums.

Nothing is downloaded. mirdata keeps each set's list of files apart from its code; it is looked for in the
set's own folder and then where mirdata itself would put it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from eval.records import FloatArray, IntArray, Reference
from eval.sets.annotations import END_SLACK_S, read_beats
from eval.sets.datasets import MirdataLayout
from pulsefind.core.errors import FormatError


@dataclass(frozen=True, slots=True)
class Found:
    """One track that mirdata lists: its id, its recording, its genre, and how to read its annotation."""

    name: str
    audio: Path
    genre: str | None
    read: Callable[[float], Reference]


def _dataset(name: str, version: str, folder: Path) -> Any:
    """Return mirdata's own object for the set, pointed at the folder and at an index that is there."""
    try:
        import mirdata
    except ImportError as error:
        raise FormatError(f"{name}: needs mirdata, which isn't installed; run pip install 'pulsefind[eval]'") from error
    dataset = mirdata.initialize(name, data_home=str(folder), version=version)
    own = folder / Path(dataset.index_path).name
    found = sorted(folder.glob("*index*.json"))
    if len(found) > 1:
        raise FormatError(f"{folder}: holds several index files ({', '.join(p.name for p in found)}); keep one")
    if found:
        dataset.index_path = str(found[0])
    if not Path(dataset.index_path).is_file():
        raise FormatError(f"{own}: mirdata's list of the set's files is missing; get it with mirdata and put it there")
    return dataset


def mirdata_tracks(name: str, layout: MirdataLayout, folder: Path) -> Iterator[Found]:
    """Yield every annotated track of a set, checked against the published checksums."""
    dataset = _dataset(name, layout.version, folder)
    ids = dataset.mtrack_ids if layout.multitracks else dataset.track_ids
    group = "multitracks" if layout.multitracks else "tracks"
    for track_id in ids:
        track = dataset.multitrack(track_id) if layout.multitracks else dataset.track(track_id)
        audio = getattr(track, layout.audio)
        if audio is None or (layout.beats and getattr(track, layout.beats) is None):
            continue
        checksums = _checksums(dataset._index[group][track_id], folder)
        genre = getattr(track, "genre", None)
        yield Found(track_id, _existing(Path(audio), track_id), genre, _reader(track, layout, checksums))


def _existing(path: Path, track_id: str) -> Path:
    """Return the path of a file that must be there."""
    if not path.is_file():
        raise FormatError(f"{path}: the recording of {track_id} is missing; lay the set out as mirdata does")
    return path


def _checksums(entry: dict[str, Any], folder: Path) -> dict[Path, str]:
    """Return path to MD5 for every file of a track's entry in the index."""
    files = [value for key, value in entry.items() if key != "tracks"]
    return {folder / path: md5 for path, md5 in files if path is not None and md5 is not None}


def _reader(track: Any, layout: MirdataLayout, checksums: dict[Path, str]) -> Callable[[float], Reference]:
    """Return the function that reads one track's annotation."""

    def read(length_s: float) -> Reference:
        beats_path = Path(getattr(track, layout.beats)) if layout.beats else None
        rows = read_beats(beats_path, layout.rows, length_s)[0] if beats_path and layout.rows else None
        _check_sums(track, layout, checksums)
        beat_s, count = _beats(track, beats_path)
        if rows is not None and len(rows) != len(beat_s) and layout.all_rows:
            raise FormatError(f"{beats_path}: {len(rows)} rows, of which mirdata reads {len(beat_s)}")
        if beat_s[0] < 0 or beat_s[-1] > length_s + END_SLACK_S:
            raise FormatError(
                f"{beats_path or track.track_id}: beats lie outside the recording (0 to {length_s:.2f} s);"
                " is it the right recording?"
            )
        return Reference(beat_s, count, _drums(track, layout))

    return read


def _drums(track: Any, layout: MirdataLayout) -> dict[str, FloatArray] | None:
    """Return the hits of each drum where the set has them."""
    if layout.drums is None:
        return None
    events = getattr(track, layout.drums)
    hits: dict[str, list[float]] = {}
    for time_s, name in zip(events.intervals[:, 0], events.events, strict=True):
        hits.setdefault(name, []).append(float(time_s))
    return {name: np.sort(times) for name, times in sorted(hits.items())}


def _check_sums(track: Any, layout: MirdataLayout, checksums: dict[Path, str]) -> None:
    """Compare the files that are used with their published checksums."""
    used = [None if layout.owned_audio else getattr(track, layout.audio)]
    used.append(getattr(track, layout.beats) if layout.beats else None)
    for path in (Path(p) for p in used if p is not None):
        published = checksums.get(path)
        if published and hashlib.md5(path.read_bytes(), usedforsecurity=False).hexdigest() != published:
            raise FormatError(f"{path}: differs from the published file (MD5 {published}); get it again")


def _beats(track: Any, path: Path | None) -> tuple[FloatArray, IntArray | None]:
    """Return beats and counts as mirdata reads them; whatever it trips over is told with the file."""
    where = path or getattr(track, "track_id", None) or track.mtrack_id
    try:
        data = track.beats
    except Exception as error:
        raise FormatError(f"{where}: mirdata can't read its beats ({error})") from error
    if data is None or not len(data.times):
        raise FormatError(f"{where}: holds no beat; remove the track or mend its annotation")
    beat_s = np.asarray(data.times, dtype=np.float64)
    if not np.isfinite(beat_s).all() or (np.diff(beat_s) <= 0).any():
        raise FormatError(f"{where}: beat times must be finite and increase")
    if data.positions is None or (np.asarray(data.positions) < 1).any():
        return beat_s, None
    return beat_s, np.asarray(data.positions).astype(np.int64)
