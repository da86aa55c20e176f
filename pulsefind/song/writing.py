"""Writes the song's file: afresh from what is known, or by setting single keys in a text whose comments stay."""

from __future__ import annotations

import tomllib
from typing import Any, TypeGuard

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, InlineTable, Table

from pulsefind.core.corrections import Corrections, One
from pulsefind.core.errors import FormatError
from pulsefind.song.notation import passage_text, section_text, tempo_text, time_words
from pulsefind.song.reading import LARGEST_BYTES

HEAD = """\
# The song's file of pulsefind: what you know better than it hears. It obeys, whenever it reads the recording
# that lies beside this file. What you write here, comments too, stays as you write it.
"""


def song_text(corrections: Corrections) -> str:
    """The text of a song's file with these corrections; reading it gives them back."""
    document = tomlkit.parse(HEAD)
    for key, value in values_of(corrections).items():
        document.add(key, _item(key, value))
    return tomlkit.dumps(document)


def edited(text: str, changes: dict[str, Any], name: str) -> str:
    """A file's text with keys set to values (None takes a key away); everything else, comments too, stays.

    Raises
    ------
    FormatError
        if the text can't be edited without harm.
    """
    # The byte order mark is kept for the editor that wrote it.
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    whole = text.removeprefix(mark)
    try:
        for key, value in changes.items():
            whole = _with(whole, key, value)
        wanted = tomllib.loads(text.removeprefix(mark)) | changes
        done, n_bytes = tomllib.loads(whole), len((mark + whole).encode())
    except (TOMLKitError, RecursionError, ValueError) as error:
        raise FormatError(f"{name}: can't be edited ({type(error).__name__}); edit it by hand") from None
    if done != {key: value for key, value in wanted.items() if value is not None}:
        raise FormatError(f"{name}: can't be edited without harm; edit it by hand")
    if n_bytes > LARGEST_BYTES:
        raise FormatError(f"{name}: would get too large to be read again; shorten it by hand first")
    return mark + whole


def _with(text: str, key: str, value: Any) -> str:
    """A text with one key set."""
    document = tomlkit.parse(text)
    if value is None:
        document.pop(key, None)
        return tomlkit.dumps(document)
    item = _item(key, value)
    held = document.get(key)
    if isinstance(held, AoT) and isinstance(value, list) and held.unwrap() == value[: len(held)]:
        for row in item[len(held) :]:
            held.append(row)
    elif _goes_on(held, value):
        for row in value[len(held) :]:
            held.add_line(row, indent="  ")
    elif key in document:
        document[key] = item
    elif isinstance(item, (Table, AoT)) or not any(isinstance(other, (Table, AoT)) for other in document.values()):
        document.add(key, item)
    else:
        # The library would add it after the last table, which would then own it.
        at = _before_tables(text)
        return text[:at] + tomlkit.dumps(tomlkit.document().add(key, item)) + text[at:]
    return tomlkit.dumps(document)


def _goes_on(held: Any, value: Any) -> TypeGuard[Array]:
    """Does a list of several lines, which may have comments of their own, stay and only get longer?"""
    whole = isinstance(held, Array) and isinstance(value, list) and held.unwrap() == value[: len(held)]
    return whole and "\n" in held.as_string()


def _before_tables(text: str) -> int:
    """Where the first table begins, including the comment right above it."""
    lines = text.splitlines(keepends=True)
    first = next((k for k, line in enumerate(lines) if line.lstrip().startswith("[")), len(lines))
    while first and lines[first - 1].lstrip().startswith("#"):
        first -= 1
    return sum(len(line) for line in lines[:first])


def values_of(corrections: Corrections) -> dict[str, Any]:
    """Keys and plain values of a song's file, in the order of writing; empty ones are left out."""
    known = corrections
    values: dict[str, Any] = {
        "title": known.title,
        "notes": list(known.notes),
        "recording": None
        if known.recording is None
        else {"sha256": known.recording.sha256, "length_s": round(known.recording.length_s, 3)},
        "nudge_ms": round(known.nudge_ms, 3),
        "the_1": [one_text(one) for one in known.ones],
        "meter": "" if known.meter is None else f"{known.meter[0]}/{known.meter[1]}",
        "bpm": "" if known.bpm_low is None else f"{known.bpm_low!r}:{known.bpm_high!r}",
        "range": _range_text(known),
        "meters": [passage_text(passage) for passage in known.passages],
        "tempi": [tempo_text(tempo) for tempo in known.tempi],
        "sections": [section_text(section) for section in known.sections],
        "taps": _taps(known),
        "confirmed": [
            {"what": one.what, **({"by": one.by} if one.by else {}), **({"on": one.on} if one.on else {})}
            for one in known.confirmed
        ],
    }
    return {key: value for key, value in values.items() if value}


def one_text(one: One) -> str:
    """A 1 in a form that is read back alike: three decimals if exact, at most two if found by ear."""
    if one.exact:
        return time_words(one.time_s)
    hundredths = round(100 * one.time_s)
    return f"{hundredths // 6000}:{hundredths // 100 % 60:02d}.{hundredths % 100:02d}"


def _range_text(known: Corrections) -> str:
    if known.start_s is None and known.end_s is None:
        return ""
    start, end = ("" if time_s is None else time_words(time_s) for time_s in (known.start_s, known.end_s))
    return f"{start}-{end}"


def _taps(known: Corrections) -> dict[str, Any]:
    if not known.taps_s:
        return {}
    table: dict[str, Any] = {"times": [round(time_s, 6) for time_s in known.taps_s]}
    if known.taps_count:
        table["counts"] = list(known.taps_count)
    return {**table, "by_ear": True} if known.taps_by_ear else table


def _item(key: str, value: Any) -> Any:
    """A value as the library writes it: lists with one text per line, taps and confirmations as tables."""
    if isinstance(value, list) and value and all(isinstance(row, dict) for row in value):
        rows = tomlkit.aot()
        for row in value:
            table = tomlkit.table()
            table.update(row)
            rows.append(table)
        return rows
    if isinstance(value, dict):
        held: Table | InlineTable = tomlkit.table() if key == "taps" else tomlkit.inline_table()
        held.update(value)
        return held
    item = tomlkit.item(value)
    if isinstance(value, list) and (len(value) > 1 or key in ("meters", "tempi", "sections", "notes")):
        item.multiline(True)
    return item
