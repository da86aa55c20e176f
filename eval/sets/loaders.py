"""Sets as folders: each layout gives tracks, checked as they are read, or stops with the file and line at
fault.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from eval.records import FloatArray, IntArray, Reference, Track
from eval.sets.annotations import END_SLACK_S, PLAIN_BEATS, read_beats, read_drums, read_labels
from eval.sets.datasets import SETS, FilesLayout, MirdataLayout, PlainLayout, SetInfo, how_to_get
from eval.sets.mirdata_sets import mirdata_tracks
from pulsefind.core.errors import FormatError, PulsefindError

AUDIO_SUFFIXES = (".wav", ".flac", ".ogg", ".mp3", ".aiff", ".aif", ".m4a", ".opus")


class MissingSetError(PulsefindError):
    """A set whose folder isn't there: the message says what to get and how to lay it out."""


def load_set(name: str, root: Path) -> list[Track]:
    """Return the tracks of a set below the root, sorted by id.

    A name that eval doesn't know is read as a folder in the plain layout. Raises MissingSetError when the
    folder isn't there and FormatError when something in it can't be understood.
    """
    info = SETS.get(name) or SetInfo(name, "unknown", "unknown", "your own", PlainLayout())
    folder = root / name
    if not folder.is_dir():
        hint = how_to_get(info) if name in SETS else f"known sets: {', '.join(sorted(SETS))}"
        raise MissingSetError(f"{folder}: no such folder; {hint}")
    tracks = _LOADERS[type(info.layout)](info, folder)
    if not tracks:
        raise MissingSetError(f"{folder}: holds no annotated recording; {how_to_get(info)}")
    return sorted(tracks, key=lambda track: track.name)


def audio_file(folder: Path, name: str) -> Path:
    """Return the one recording of that name; raises FormatError when there is none or more than one."""
    found = [path for suffix in AUDIO_SUFFIXES if (path := folder / f"{name}{suffix}").is_file()]
    if not found:
        raise FormatError(f"{folder}: the recording of {name} is missing; put {name}.wav (or flac, ogg, mp3) there")
    if len(found) > 1:
        raise FormatError(f"{folder}: {name} has several recordings ({', '.join(p.name for p in found)}); keep one")
    return found[0]


def duration_s(audio: Path) -> float:
    """Return the length of a recording in seconds."""
    try:
        return float(soundfile.info(str(audio)).duration)
    except (OSError, RuntimeError) as error:
        raise FormatError(f"{audio}: can't be read as audio ({error}); convert it to wav or flac") from error


def _genre(info: SetInfo, name: str) -> str | None:
    """Return the genre that the id tells, where it does."""
    match = re.search(info.genre_pattern, name) if info.genre_pattern else None
    return match.group(1).lower() if match else None


def _track(
    info: SetInfo, name: str, audio: Path, read: Callable[[float], Reference], genre: str | None = None
) -> Track:
    """Return a track whose annotation is read against the length of its recording."""
    length_s = duration_s(audio)
    reference = read(length_s)
    has_drums = any(map(len, reference.drums.values())) if reference.drums is not None else info.drums
    return Track(info.name, name, audio, length_s, reference, info.kind, genre or _genre(info, name), has_drums)


def _plain(info: SetInfo, folder: Path) -> list[Track]:
    """Read the plain layout: drums and instruments' onsets where there are any."""
    assert isinstance(info.layout, PlainLayout)
    tracks = []
    for beats in sorted((folder / "beats").glob("*.beats")):
        struck = (folder / "drums" / f"{beats.stem}.txt", folder / "onsets" / f"{beats.stem}.txt")

        def read(length_s: float, beats: Path = beats, struck: tuple[Path, Path] = struck) -> Reference:
            beat_s, count = read_beats(beats, PLAIN_BEATS, length_s)
            drums, onsets = (read_drums(path, length_s) if path.exists() else None for path in struck)
            return Reference(beat_s, count, drums, onsets)

        tracks.append(_track(info, beats.stem, audio_file(folder / "audio", beats.stem), read))
    return tracks


def _files(info: SetInfo, folder: Path) -> list[Track]:
    """Read beat files beside recordings that the user owns."""
    layout = info.layout
    assert isinstance(layout, FilesLayout)
    tracks = []
    for beats in sorted(folder.glob(layout.beats)):
        match = re.search(layout.id_pattern, beats.relative_to(folder).as_posix())
        if match is None:
            raise FormatError(f"{beats}: the name isn't one of {info.name}; expected {layout.beats}")
        name = match.group(1)

        def read(length_s: float, beats: Path = beats) -> Reference:
            return _read_file(layout, beats, length_s)

        tracks.append(_track(info, name, audio_file(folder / layout.audio, name), read))
    return tracks


def _read_file(layout: FilesLayout, beats: Path, length_s: float) -> Reference:
    """Read one annotation file in the layout's format."""
    if layout.format == "rows":
        return Reference(*read_beats(beats, layout.rows, length_s))
    if layout.format == "labels":
        return Reference(*read_labels(beats, length_s))
    return Reference(*_read_parts(beats, length_s))


def _read_parts(path: Path, length_s: float) -> tuple[FloatArray, IntArray]:
    """Read JSON whose parts, possibly nested, each hold beats from a 1 on, with the metre of the piece or
    part.
    """
    try:
        piece = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise FormatError(f"{path}: isn't readable JSON ({error})") from error
    times: list[float] = []
    counts: list[int] = []
    _collect_parts(path, piece, 4, times, counts)
    if not times:
        raise FormatError(f"{path}: holds no beat; remove the track or mend its annotation")
    beat_s = np.array(times)
    steps = np.diff(beat_s)
    if not np.isfinite(beat_s).all() or (steps <= 0).any():
        at = int(np.argmax(~(steps > 0))) + 1
        raise FormatError(f"{path}: beat {at + 1} ({times[at]:g} s) doesn't come after the one before it")
    if beat_s[0] < 0 or beat_s[-1] > length_s + END_SLACK_S:
        raise FormatError(
            f"{path}: beats lie outside the recording (0 to {length_s:.2f} s); is it the right recording?"
        )
    return beat_s, np.array(counts, dtype=np.int64)


def _collect_parts(path: Path, part: object, metre: int, times: list[float], counts: list[int]) -> None:
    """Append the beats of a part and of the parts inside it, in order."""
    if not isinstance(part, dict):
        raise FormatError(f"{path}: a part must be an object with beats")
    written = str(part.get("metre", f"{metre}/4"))
    numerator = written.partition("/")[0]
    if not numerator.isdigit() or int(numerator) < 1:
        raise FormatError(f"{path}: metre {written!r} isn't of the form 4/4")
    beats = part.get("beats", [])
    if not isinstance(beats, list) or not all(isinstance(t, int | float) for t in beats):
        raise FormatError(f"{path}: beats must be a list of times in seconds")
    times += [float(t) for t in beats]
    counts += [k % int(numerator) + 1 for k in range(len(beats))]
    for inner in part.get("parts", []):
        _collect_parts(path, inner, int(numerator), times, counts)


def _mirdata(info: SetInfo, folder: Path) -> list[Track]:
    """Read a set through mirdata."""
    assert isinstance(info.layout, MirdataLayout)
    return [
        _track(info, found.name, found.audio, found.read, found.genre)
        for found in mirdata_tracks(info.name, info.layout, folder)
    ]


_LOADERS: dict[type, Callable[[SetInfo, Path], list[Track]]] = {
    PlainLayout: _plain,
    FilesLayout: _files,
    MirdataLayout: _mirdata,
}
