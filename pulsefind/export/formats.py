"""Open formats: an analysis written for other programs, and their corrected beats read back.

midi   a Standard MIDI File, see midi.py
jams   JAMS (Humphrey et al. 2014): beat_position, beat, tempo and segment_open annotations in one JSON file
beats  plain text, one beat per line: time in seconds, tab, count
csv    three tables: beats, bars, and the guides' hits with their places
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from pulsefind.beats.imported import Given
from pulsefind.core.as_json import json_text
from pulsefind.core.errors import FormatError
from pulsefind.core.given import read_given
from pulsefind.core.records import Analysis
from pulsefind.export.midi import read_midi, write_midi
from pulsefind.guides.called import called

ENDINGS = {
    "midi": (".mid",),
    "jams": (".jams",),
    "beats": (".beats.txt",),
    "csv": (".beats.csv", ".bars.csv", ".hits.csv"),
}
"""The formats, and the endings of the files of each."""

JAMS_VERSION = "0.3.4"
LARGEST_BYTES = 64 * 2**20  # judged: a hundred times the beats of four hours

_PROGRAM = "pulsefind"


def check_formats(text: str) -> tuple[str, ...]:
    """Read names of formats, separated by commas.

    Raises
    ------
    FormatError
        if one is unknown, or there is none.
    """
    kinds = tuple(word.strip().lower() for word in text.split(",") if word.strip())
    unknown = [kind for kind in kinds if kind not in ENDINGS]
    if unknown or not kinds:
        raise FormatError(f"--to {text}: formats that can be written are {', '.join(ENDINGS)}")
    return tuple(dict.fromkeys(kinds))


def export(analysis: Analysis, kind: str) -> dict[str, bytes]:
    """The files of a format that check_formats knows: ending -> contents.

    Raises
    ------
    FormatError
        if there are no beats, and the format can't say so.
    """
    if kind == "csv":
        return write_csv(analysis)
    writers = {"midi": write_midi, "jams": write_jams, "beats": write_beats}
    return {ENDINGS[kind][0]: writers[kind](analysis)}


def write_beats(analysis: Analysis) -> bytes:
    """One beat per line: seconds with six decimals, tab, count. No beats give an empty file."""
    rows = zip(analysis.beats.time_s, analysis.bars.count, strict=True)
    return "".join(f"{time_s:.6f}\t{count}\n" for time_s, count in rows).encode()


def write_csv(analysis: Analysis) -> dict[str, bytes]:
    """Tables of beats, bars, and hits (those of the guides, with guide number and place)."""
    beats, bars = analysis.beats, analysis.bars
    number = np.repeat(bars.number, bars.beats)
    ends_s = bars.ends_s
    beat_rows = zip(beats.time_s, bars.count, number, beats.confidence, beats.carried.astype(int), strict=True)
    bar_rows = (
        (bars.number[k], bars.start_s[k], ends_s[k], analysis.meter(k), analysis.tempo.bar_bpm[k])
        for k in range(len(bars.beats))
    )
    hit_rows = sorted(
        (float(time_s), index, int(bars.number[bar]), place, int(on_pattern))
        for index, guide in enumerate(analysis.guides, 1)
        for time_s, bar, place, on_pattern in zip(
            guide.hits.time_s, guide.hits.bar, guide.hits.place, guide.hits.on_pattern, strict=True
        )
    )
    tables = (
        _table(("time_s", "count", "bar", "confidence", "carried"), beat_rows),
        _table(("bar", "start_s", "end_s", "meter", "bpm"), bar_rows),
        _table(("time_s", "guide", "bar", "place", "on_pattern"), hit_rows),
    )
    return dict(zip(ENDINGS["csv"], tables, strict=True))


def _table(head: tuple[str, ...], rows: Iterable[tuple[Any, ...]]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    for row in rows:
        writer.writerow([f"{cell:.6f}" if isinstance(cell, float) else cell for cell in row])
    return out.getvalue().encode()


def write_jams(analysis: Analysis) -> bytes:
    """A JAMS file, valid by the schema of the jams library: beats, tempo by bar, stretches with guides and alone."""
    length = round(analysis.track.duration_s, 6)
    parts = [
        _annotation("beat_position", length, _beat_positions(analysis)),
        _annotation("beat", length, _beat_counts(analysis)),
        _annotation("tempo", length, _tempi(analysis)),
        _annotation("segment_open", length, _segments(analysis)),
    ]
    document = {
        "annotations": parts,
        "file_metadata": {
            "title": analysis.track.name,
            "artist": "",
            "release": "",
            "duration": length,
            "identifiers": {},
            "jams_version": JAMS_VERSION,
        },
        "sandbox": {},
    }
    return json_text(document).encode()


def _annotation(namespace: str, duration_s: float, data: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "namespace": namespace,
        "annotation_metadata": {
            "annotation_tools": _PROGRAM,
            "data_source": "program",
            "annotator": {},
            "annotation_rules": "",
            "corpus": "",
            "validation": "",
            "version": "",
            "curator": {"name": "", "email": ""},
        },
        "data": data,
        "sandbox": {},
        "time": 0,
        "duration": duration_s,
    }


def _observation(time_s: float, duration_s: float, value: Any, confidence: float | None) -> dict[str, Any]:
    return {
        "time": round(float(time_s), 6),
        "duration": round(max(0.0, float(duration_s)), 6),
        "value": value,
        "confidence": None if confidence is None else round(float(confidence), 6),
    }


def _beat_positions(analysis: Analysis) -> list[dict[str, Any]]:
    bars = analysis.bars
    meters = np.repeat(bars.beats_per_bar, bars.beats)
    numbers = np.repeat(bars.number, bars.beats)
    units = np.repeat(bars.units, bars.beats)
    return [
        _observation(
            analysis.beats.time_s[k],
            0.0,
            {
                "position": int(bars.count[k]),
                "measure": int(numbers[k]),
                "num_beats": int(meters[k]),
                "beat_units": int(units[k]),
            },
            analysis.beats.confidence[k],
        )
        for k in range(len(bars.count))
    ]


def _beat_counts(analysis: Analysis) -> list[dict[str, Any]]:
    rows = zip(analysis.beats.time_s, analysis.bars.count, analysis.beats.confidence, strict=True)
    return [_observation(time_s, 0.0, int(count), confidence) for time_s, count, confidence in rows]


def _tempi(analysis: Analysis) -> list[dict[str, Any]]:
    bars = analysis.bars
    rows = zip(bars.start_s, bars.ends_s, analysis.tempo.bar_bpm, strict=True)
    sure = analysis.confidence.octave
    return [_observation(start, end - start, round(float(bpm), 6), sure) for start, end, bpm in rows]


def _segments(analysis: Analysis) -> list[dict[str, Any]]:
    spans = [
        (stretch.start_s, stretch.end_s - stretch.start_s, f"guide: {name}")
        for name, guide in zip(called(analysis.guides), analysis.guides, strict=True)
        for stretch in guide.coverage
    ]
    spans += [(stretch.start_s, stretch.end_s - stretch.start_s, "alone") for stretch in analysis.alone]
    return [_observation(start, length, text, None) for start, length, text in sorted(spans)]


def read_beats(path: Path) -> Given:
    """Read beats corrected elsewhere: .mid or .midi, .jams, .csv with time_s and count, else plain text.

    Raises
    ------
    FormatError
        if the file can't be read, or doesn't hold beats.
    """
    data = read_given(path, LARGEST_BYTES, "a file of beats")
    ending = path.suffix.lower()
    if ending in (".mid", ".midi"):
        return read_midi(data, path.name)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FormatError(f"{path}: is no text; beats are read from MIDI (.mid), JAMS, CSV and plain text") from None
    if ending == ".jams":
        return _read_jams(text, path.name)
    return _read_csv(text, path.name) if ending == ".csv" else _read_plain(text, path.name)


def _read_plain(text: str, name: str) -> Given:
    rows = [(k, line.split()) for k, line in enumerate(text.splitlines(), 1) if line.strip()]
    rows = [(k, fields) for k, fields in rows if not fields[0].startswith("#")]
    times = [_number(fields[0], name, k) for k, fields in rows]
    counted = [len(fields) > 1 for _, fields in rows]
    if not any(counted):
        return Given(np.array(times))
    if not all(counted):
        raise FormatError(f"{name}: line {rows[counted.index(False)][0]} has no count, others have")
    return Given(np.array(times), np.array([_count(fields[1], name, k) for k, fields in rows], np.int64))


def _read_csv(text: str, name: str) -> Given:
    reader = csv.DictReader(io.StringIO(text))
    try:
        named = "time_s" in (reader.fieldnames or ())
        rows = list(reader)
    except csv.Error as error:
        raise FormatError(f"{name}: line {reader.line_num}: is no CSV ({error})") from None
    if not named:
        raise FormatError(f"{name}: its first line names no column time_s (and count)")
    times = np.array([_number(row["time_s"], name, k) for k, row in enumerate(rows, 2)])
    if "count" not in (reader.fieldnames or ()):
        return Given(times)
    return Given(times, np.array([_count(row["count"], name, k) for k, row in enumerate(rows, 2)], np.int64))


def _number(text: str | None, name: str, line: int) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise FormatError(f"{name}: line {line}: '{(text or '')[:40]}' is no time in seconds")
    return value


def _count(text: str | None, name: str, line: int) -> int:
    value = _number(text, name, line)
    if value != int(value) or not 1 <= value <= 255:
        raise FormatError(f"{name}: line {line}: '{(text or '')[:40]}' is no count; counts are 1, 2, 3 ...")
    return int(value)


def _read_jams(text: str, name: str) -> Given:
    try:
        annotations = json.loads(text)["annotations"]
        data = {one["namespace"]: one["data"] for one in reversed(annotations)}
        if "beat_position" in data:
            return _given_positions(data["beat_position"])
        if "beat" in data:
            return _given_counts(data["beat"])
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise FormatError(f"{name}: is no JAMS file that can be read ({type(error).__name__}: {error})") from None
    raise FormatError(f"{name}: holds no annotation of beats (beat_position or beat)")


def _given_positions(data: list[dict[str, Any]]) -> Given:
    rows = sorted(data, key=lambda one: float(one["time"]))
    values = [row["value"] for row in rows]
    units = [int(value["beat_units"]) for value in values]
    return Given(
        np.array([float(row["time"]) for row in rows]),
        np.array([int(value["position"]) for value in values], np.int64),
        np.array([int(value["num_beats"]) for value in values], np.int64),
        max(set(units), key=units.count) if units else None,
    )


def _given_counts(data: list[dict[str, Any]]) -> Given:
    rows = sorted(data, key=lambda one: float(one["time"]))
    times = np.array([float(row["time"]) for row in rows])
    if any(row["value"] is None for row in rows):
        return Given(times)
    return Given(times, np.array([int(row["value"]) for row in rows], np.int64))
