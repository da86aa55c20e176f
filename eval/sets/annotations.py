"""Strict reading of annotation files: a row that can't be understood names its file and line, and stops."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.records import FloatArray, IntArray
from pulsefind.core.errors import FormatError

# A last beat may fall on the very end of a clip whose length was rounded.
END_SLACK_S = 0.1


@dataclass(frozen=True, slots=True)
class BeatRows:
    """How a set writes its beats.

    separator None is any white space. columns is the number of columns that a row may have (several when the
    set is not consistent). count_column None means that the set knows no bars. count_part "whole" reads the
    count as a number, "fraction" the digits after the point ("12.3" is beat 3 of bar 12). header_rows lines
    are passed over. scale turns the written time into seconds.
    """

    separator: str | None = None
    columns: tuple[int, ...] = (2,)
    time_column: int = 0
    count_column: int | None = 1
    count_part: str = "whole"
    header_rows: int = 0
    scale: float = 1.0


PLAIN_BEATS = BeatRows()
TIMES_ONLY = BeatRows(columns=(1,), count_column=None)


def _rows(path: Path, separator: str | None, header_rows: int) -> list[tuple[int, list[str]]]:
    """Return (line number, fields) of every row that is not blank."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise FormatError(f"{path}: can't be read ({error.strerror}); put the annotation there") from error
    except UnicodeDecodeError as error:
        raise FormatError(f"{path}: isn't a text file; put the set's own annotation there") from error
    numbered = list(enumerate(text.splitlines(), start=1))[header_rows:]
    return [(n, [f.strip() for f in line.split(separator)]) for n, line in numbered if line.strip()]


def _number(path: Path, line: int, text: str, what: str) -> float:
    """Return a finite number or name the place where there is none."""
    try:
        value = float(text)
    except ValueError:
        raise FormatError(f"{path}, line {line}: {what} {text!r} is not a number") from None
    if not np.isfinite(value):
        raise FormatError(f"{path}, line {line}: {what} is {text!r}; a finite number is needed")
    return value


def _count(path: Path, line: int, text: str, part: str) -> int:
    """Return the beat's number in the bar, 1 or more."""
    if part == "fraction":
        _, point, text = text.partition(".")
        if not point:
            raise FormatError(f"{path}, line {line}: the count needs the form BAR.BEAT")
    value = _number(path, line, text, "the count")
    if value != int(value) or value < 1:
        raise FormatError(f"{path}, line {line}: the count {text!r} must be a whole number of 1 or more")
    return int(value)


def _check_order(path: Path, line: int, time_s: float, before_s: float, strictly: bool) -> None:
    """Refuse a time that goes backwards; beats may not stand still either."""
    if time_s < before_s or (strictly and time_s == before_s):
        raise FormatError(f"{path}, line {line}: {time_s:g} s comes after {before_s:g} s; times must increase")


def _check_inside(path: Path, line: int, time_s: float, duration_s: float) -> None:
    """Refuse a time outside the recording."""
    if time_s < 0:
        raise FormatError(f"{path}, line {line}: {time_s:g} s lies before the start of the recording")
    if time_s > duration_s + END_SLACK_S:
        raise FormatError(
            f"{path}, line {line}: {time_s:g} s lies beyond the end of the recording ({duration_s:.2f} s);"
            " is it the right recording, in seconds?"
        )


def read_beats(path: Path, layout: BeatRows, duration_s: float) -> tuple[FloatArray, IntArray | None]:
    """Read beat times in seconds and counts (None where the layout has none).

    Raises FormatError, with file and line, on a wrong number of columns, a value that is no finite number,
    times that don't increase, and times outside the recording; and on a file without any beat.
    """
    times: list[float] = []
    counts: list[int] = []
    for line, fields in _rows(path, layout.separator, layout.header_rows):
        if len(fields) not in layout.columns:
            wanted = " or ".join(str(n) for n in layout.columns)
            raise FormatError(f"{path}, line {line}: {len(fields)} columns where {wanted} are needed")
        time_s = _number(path, line, fields[layout.time_column], "the time") * layout.scale
        _check_inside(path, line, time_s, duration_s)
        if times:
            _check_order(path, line, time_s, times[-1], strictly=True)
        times.append(time_s)
        if layout.count_column is not None:
            counts.append(_count(path, line, fields[layout.count_column], layout.count_part))
    if not times:
        raise FormatError(f"{path}: holds no beat; remove the track or mend its annotation")
    return np.array(times), np.array(counts, dtype=np.int64) if layout.count_column is not None else None


def read_drums(path: Path, duration_s: float) -> dict[str, FloatArray]:
    """Read drum hits, one a line as time and class, into class name to times in seconds.

    A file without a row is a recording in which no drum is struck. Raises FormatError as read_beats does; two
    hits may share a time.
    """
    hits: dict[str, list[float]] = {}
    before_s = 0.0
    for line, fields in _rows(path, None, 0):
        if len(fields) != 2:
            raise FormatError(f"{path}, line {line}: {len(fields)} columns where 2 are needed (time, class)")
        time_s = _number(path, line, fields[0], "the time")
        _check_inside(path, line, time_s, duration_s)
        _check_order(path, line, time_s, before_s, strictly=False)
        before_s = time_s
        hits.setdefault(fields[1], []).append(time_s)
    return {name: np.array(times) for name, times in sorted(hits.items())}


def read_labels(path: Path, duration_s: float) -> tuple[FloatArray, IntArray]:
    """Read rows of start, end and label, where the label starts with b (a beat) or db (a 1), as the count.

    Counts run from each db; beats before the first are counted so that they lead up to it, in the first bar's
    meter. Raises FormatError as read_beats does.
    """
    times: list[float] = []
    is_one: list[bool] = []
    for line, fields in _rows(path, None, 0):
        if len(fields) != 3:
            raise FormatError(f"{path}, line {line}: {len(fields)} columns where 3 are needed (start, end, label)")
        time_s = _number(path, line, fields[0], "the time")
        _check_inside(path, line, time_s, duration_s)
        if times:
            _check_order(path, line, time_s, times[-1], strictly=True)
        label = fields[2].split(",")[0]
        if label not in ("b", "bR", "db"):
            raise FormatError(f"{path}, line {line}: the label {fields[2]!r} starts with neither b nor db")
        times.append(time_s)
        is_one.append(label == "db")
    if not times:
        raise FormatError(f"{path}: holds no beat; remove the track or mend its annotation")
    return np.array(times), counts_from_ones(np.array(is_one))


def counts_from_ones(is_one: NDArray[np.bool_]) -> IntArray:
    """Return the count of every beat when only the 1s are known; a pickup leads up to the first of them."""
    at = np.flatnonzero(is_one)
    if not len(at):
        return np.arange(1, len(is_one) + 1)
    beat = np.arange(len(is_one))
    before = at[np.maximum(np.searchsorted(at, beat, side="right") - 1, 0)]
    first_bar = int(at[1] - at[0]) if len(at) > 1 else len(is_one)
    return np.where(beat < at[0], (beat - at[0]) % first_bar + 1, beat - before + 1).astype(np.int64)
