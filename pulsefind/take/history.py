"""The player's own history: one line of JSON per take, in a file that belongs to them."""

from __future__ import annotations

import contextlib
import errno
import json
import os
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, get_args, get_type_hints

from pulsefind.core.errors import FormatError, OutputError
from pulsefind.core.given import read_given
from pulsefind.core.words import WIDTH
from pulsefind.take.records import Review

SCHEMA = 1  # the format's own number: raised when the meaning or the name of a field changes
LARGEST_BYTES = 64 * 2**20  # judged: a hundred thousand takes
_LARGEST = 1e9  # judged: beyond any number of hits or ms
_BAR = 34  # characters of the widest bar: what 80 columns leave beside the figures (arithmetic)
_SHOWN = 12  # judged: takes that are shown, the newest


@dataclass(frozen=True, slots=True)
class TakeEntry:
    """What is kept of a take; times in ms. offset_ms is None where an overall early or late can't be told."""

    schema: int
    reviewed_at: str
    track_sha256: str
    track: str
    recording: str
    hits: int
    offset_ms: float | None
    spread_ms: float
    missed: int
    worst_alone_ms: float | None
    spread_share: float | None
    phase_gain: float | None


def entry_of(review: Review, now: datetime) -> TakeEntry:
    """The line for a review."""
    worst = max(review.movement.drifts, key=lambda drift: abs(drift.end_offset_ms), default=None)
    shares = [correction.spread_share for correction in review.movement.corrections]
    return TakeEntry(
        SCHEMA,
        now.astimezone(UTC).isoformat(timespec="seconds"),
        review.subject.track_sha256,
        review.subject.track,
        review.subject.recording,
        review.timing.whole.n,
        round(review.timing.whole.offset_ms, 3) if review.alignment.offset_known else None,
        round(review.timing.whole.spread_ms, 3),
        len(review.strokes.missed),
        round(worst.end_offset_ms, 3) if worst else None,
        round(sum(shares) / len(shares), 3) if shares else None,
        round(review.movement.gains.phase_gain, 4) if review.movement.gains else None,
    )


def append_take(path: Path, entry: TakeEntry) -> None:
    """Add a line at the end of a history file; the file is made if it isn't there.

    The line is appended in a single write, so that two reviews at the same time don't mix; a write that fails half way
    is undone.

    Raises
    ------
    FormatError
        if the file is there and is no history; it is left as it is.
    OutputError
        if it can't be written.
    """
    read_history(path)
    line = json.dumps(asdict(entry), ensure_ascii=False, allow_nan=False) + "\n"
    is_new = not os.path.lexists(path)
    try:
        with path.open("ab", buffering=0) as file:
            size = file.seek(0, os.SEEK_END)
            data = line.encode()
            if size and not _ends_line(path):
                data = b"\n" + data
            if file.write(data) != len(data):
                file.truncate(size)
                raise OSError(errno.ENOSPC, "disk full?")
            os.fsync(file.fileno())
    except OSError as error:
        if is_new:
            _remove_empty(path)
        raise OutputError(f"{path}: the history can't be written ({error.strerror})") from None


def _remove_empty(path: Path) -> None:
    """Take away the file that was made for a line that couldn't be written."""
    with contextlib.suppress(OSError):
        if path.stat().st_size == 0:
            path.unlink()


def _ends_line(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def read_history(path: Path) -> tuple[TakeEntry, ...]:
    """All takes in a history file, in the order in which they were added. No file: no takes.

    Raises
    ------
    FormatError
        if a line is no take of a known schema.
    """
    if not os.path.lexists(path):
        return ()
    try:
        text = read_given(path, LARGEST_BYTES, "a history").decode()
    except UnicodeDecodeError as error:
        raise FormatError(f"{path}: the history can't be read ({error}); name another file") from None
    entries = []
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            entries.append(_entry(json.loads(line)))
        except (ValueError, TypeError, KeyError, RecursionError) as error:
            raise FormatError(f"{path}: line {number} is no take of a history ({error}); name another file") from None
    return tuple(entries)


def _entry(fields: dict[str, Any]) -> TakeEntry:
    """The take of a line, every field of the type that the record names."""
    if fields["schema"] != SCHEMA:
        raise ValueError(f"schema {str(fields['schema'])[:20]}, not {SCHEMA}")
    entry = TakeEntry(**fields)
    for name, kind in get_type_hints(TakeEntry).items():
        value = getattr(entry, name)
        kinds = get_args(kind) or (kind,)
        if float in kinds and type(value) in (int, float):
            if not abs(value) <= _LARGEST:
                raise ValueError(f"{name} is out of range")
        elif type(value) not in kinds:
            raise ValueError(f"{name} is no {kinds[0].__name__}")
    return entry


def takes_so_far(entries: tuple[TakeEntry, ...], track_sha256: str) -> str:
    """The takes of one track in order, each spread drawn as a bar. Fewer than two takes give an empty text."""
    mine = [entry for entry in entries if entry.track_sha256 == track_sha256]
    if len(mine) < 2:
        return ""
    shown = mine[-_SHOWN:]
    widest = max(entry.spread_ms for entry in shown) or 1.0
    lines = [f"Takes     {len(mine)} of this track, in ms: spread of the hits, farthest off when alone"]
    for entry in shown:
        bar = "#" * max(1, round(_BAR * entry.spread_ms / widest))
        alone = "" if entry.worst_alone_ms is None else f"  alone {_ahead(entry.worst_alone_ms)}"
        lines.append(f"{'':10}{entry.reviewed_at[:10]} {entry.spread_ms:5.1f} {bar}{alone}"[:WIDTH])
    return "\n".join(lines) + "\n"


def _ahead(ms: float) -> str:
    return f"{abs(ms):.0f} {'ahead' if ms < 0 else 'behind'}"
