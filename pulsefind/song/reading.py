"""Reads the song's file: a small TOML text, checked key by key, with line and key of whatever is wrong.

Keys that pulsefind doesn't know are left alone, with a remark if they look like a typing mistake.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Self, TypeVar

import numpy as np

from pulsefind.beats.imported import Given, tapped
from pulsefind.core.corrections import (
    MOST_NUDGE_MS,
    Belongs,
    Confirmed,
    Corrections,
    One,
    Passage,
    Section,
    TempoFrom,
    is_exact,
)
from pulsefind.core.errors import FormatError, HintError, PulsefindError
from pulsefind.core.given import read_given
from pulsefind.core.hints import parse_bpm, parse_meter, parse_range, parse_time
from pulsefind.core.limits import LONGEST_S
from pulsefind.core.records import Settings
from pulsefind.song.lines import line_of
from pulsefind.song.notation import parse_passage, parse_section, parse_tempo

LARGEST_BYTES = 2**20
"""No song's file is larger (judged): taps of four hours take about half of this."""

MOST_ENTRIES = 30_000  # judged: the beats of four hours
LONGEST_TEXT = 2_000  # judged: characters of a note

KEYS = (
    "title",
    "notes",
    "recording",
    "nudge_ms",
    "the_1",
    "meter",
    "bpm",
    "range",
    "meters",
    "tempi",
    "taps",
    "sections",
    "confirmed",
)

_Made = TypeVar("_Made")


class WrittenFloat(float):
    """A number that remembers how it was written: 2.240 names the millisecond, 2.24 doesn't."""

    written: str

    def __new__(cls, written: str) -> Self:
        """Make it from its text."""
        made = super().__new__(cls, written.replace("_", ""))
        made.written = written
        return made

    def __repr__(self) -> str:
        """As it was written, where it is shown and where it goes into another file."""
        return self.written


@dataclass(frozen=True, slots=True)
class SongFile:
    """A song's file as read: what it says, its text, and remarks on what was left out, one line each."""

    path: Path
    text: str
    corrections: Corrections
    remarks: tuple[str, ...]


def read_song(path: Path) -> SongFile:
    """Read a song's file.

    Raises
    ------
    FormatError
        if it can't be read, isn't TOML, or says something that can't be obeyed; line and key are named.
    """
    text = read_text(path)
    document = document_of(text, path.name)
    return SongFile(path, text, corrections_of(text, path.name), unknown_keys(text, path, document))


def corrections_of(text: str, name: str) -> Corrections:
    """What the text of a song's file says; `name` appears in errors.

    Raises
    ------
    FormatError
        as read_song.
    """
    return _Reader(text, name, document_of(text, name)).corrections()


def read_text(path: Path) -> str:
    """The text of a small regular file.

    Raises
    ------
    FormatError
        if it isn't one.
    """
    data = read_given(path, LARGEST_BYTES, "a song's file or a set")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FormatError(f"{path}, line {line}: is no UTF-8 text; save it as UTF-8") from None


def document_of(text: str, name: str) -> dict[str, Any]:
    """The TOML document of a text.

    Raises
    ------
    FormatError
        if it isn't TOML; the line is named.
    """
    try:
        return tomllib.loads(text, parse_float=WrittenFloat)
    except tomllib.TOMLDecodeError as error:
        raise FormatError(f"{name}: {str(error)[:120]}; it is no TOML there") from None
    except (ValueError, RecursionError) as error:
        raise FormatError(f"{name}: can't be read as TOML ({type(error).__name__})") from None


def unknown_keys(text: str, path: Path, document: dict[str, Any]) -> tuple[str, ...]:
    """A remark on each key that looks like one of ours but isn't."""
    remarks = []
    for key in document:
        near = difflib.get_close_matches(key, KEYS, 1, 0.75) if key not in KEYS else []
        if near:
            remarks.append(f"{path.name}, line {line_of(text, key)}: {_shown(key)} is not used; {near[0]} may be meant")
    return tuple(remarks)


@dataclass(frozen=True, slots=True)
class _Reader:
    """A document being turned into Corrections; every complaint names file, line and key."""

    text: str
    name: str
    document: dict[str, Any]

    def corrections(self) -> Corrections:
        """All that the document says."""
        low, high = self._bpm()
        start_s, end_s = self._range()
        taps_s, taps_count, by_ear = self._taps()
        return Corrections(
            title=self._text("title"),
            notes=self._notes(),
            recording=self._recording(),
            nudge_ms=self._number("nudge_ms", -MOST_NUDGE_MS, MOST_NUDGE_MS, 0.0),
            ones=self._ones(),
            meter=self._read("meter", parse_meter, "--meter") if "meter" in self.document else None,
            bpm_low=low,
            bpm_high=high,
            start_s=start_s,
            end_s=end_s,
            passages=self._passages(),
            tempi=self._tempi(),
            taps_s=taps_s,
            taps_count=taps_count,
            taps_by_ear=by_ear,
            sections=self._sections(),
            confirmed=self._confirmed(),
        )

    def wrong(self, key: str, why: str, table: str = "", entry: int = 0, value: object = None) -> FormatError:
        """An error that names file, line and key."""
        line = line_of(self.text, key, table, entry, value)
        named = f"{table}.{key}" if table else key
        return FormatError(f"{self.name}, line {line}, {named}: {_shown(why)}")

    def _text(self, key: str) -> str:
        value = self.document.get(key, "")
        if not isinstance(value, str):
            raise self.wrong(key, "write it in quotes")
        if len(value) > LONGEST_TEXT:
            raise self.wrong(key, f"is longer than {LONGEST_TEXT} characters")
        return value

    def _number(self, key: str, low: float, high: float, otherwise: float) -> float:
        value = self.document.get(key, otherwise)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise self.wrong(key, "write a number")
        if not low <= value <= high:
            raise self.wrong(key, f"{value:g} lies outside {low:g} to {high:g}")
        return float(value)

    def _read(self, key: str, parse: Callable[[str], _Made], option: str) -> _Made:
        """A value written as on the command line."""
        value = self.document[key]
        if not isinstance(value, str):
            raise self.wrong(key, "write it in quotes, as it is typed")
        return self._parsed(value, parse, key, option)

    def _parsed(self, value: str, parse: Callable[[str], _Made], key: str, option: str = "") -> _Made:
        try:
            return parse(value)
        except HintError as error:
            why = str(error).removeprefix(f"{option} {value}: ")
            raise self.wrong(key, f"{value[:60]!r}: {why}", value=value) from None

    def _list(self, key: str, of: object) -> list[Any]:
        rows = of if isinstance(of, list) else [of]
        if len(rows) > MOST_ENTRIES:
            raise self.wrong(key, f"has {len(rows)} entries; up to {MOST_ENTRIES} are read")
        return rows

    def _texts(self, key: str) -> list[str]:
        rows = self._list(key, self.document.get(key, []))
        for row in rows:
            if not isinstance(row, str):
                raise self.wrong(key, "write a list of texts in quotes")
            if len(row) > LONGEST_TEXT:
                raise self.wrong(key, f"holds a text of more than {LONGEST_TEXT} characters")
        return rows

    def _notes(self) -> tuple[str, ...]:
        return tuple(self._texts("notes"))

    def _recording(self) -> Belongs | None:
        table = self.document.get("recording")
        if table is None:
            return None
        if not isinstance(table, dict):
            raise self.wrong("recording", 'write it as { sha256 = "...", length_s = 63.02 }')
        sha256, length_s = table.get("sha256", ""), table.get("length_s", 0.0)
        if not isinstance(sha256, str) or not (sha256 == "" or _is_digest(sha256)):
            raise self.wrong("sha256", "is no SHA-256: 64 hexadecimal digits", "recording")
        if isinstance(length_s, bool) or not isinstance(length_s, (int, float)) or not 0 <= length_s <= LONGEST_S:
            raise self.wrong("length_s", "is no length in seconds", "recording")
        return Belongs(sha256.lower(), float(length_s))

    def _time(self, value: object, key: str, table: str = "") -> One:
        """A time as text or as a number; and whether it names the millisecond."""
        if isinstance(value, WrittenFloat):
            written = value.written
        elif isinstance(value, int) and not isinstance(value, bool):
            written = str(value)
        elif isinstance(value, str):
            written = value
        else:
            raise self.wrong(key, 'write a time like 12.34 or "1:02.340"', table)
        try:
            time_s = parse_time(written, "")
        except HintError:
            why = f'{written[:40]!r} is no time; write it like 12.34 or "1:02.340"'
            raise self.wrong(key, why, table, value=written) from None
        if time_s > LONGEST_S:
            raise self.wrong(key, f"{written[:40]} lies beyond four hours", table, value=written)
        return One(time_s, is_exact(written))

    def _ones(self) -> tuple[One, ...]:
        if "the_1" not in self.document:
            return ()
        ones = [self._time(value, "the_1") for value in self._list("the_1", self.document["the_1"])]
        if any(after.time_s <= before.time_s for before, after in pairwise(ones)):
            raise self.wrong("the_1", "the times must increase")
        return tuple(ones)

    def _bpm(self) -> tuple[float | None, float | None]:
        value = self.document.get("bpm")
        if value is None:
            return None, None
        if isinstance(value, WrittenFloat):
            value = value.written
        elif isinstance(value, int) and not isinstance(value, bool):
            value = str(value)
        if not isinstance(value, str):
            raise self.wrong("bpm", 'write a tempo like 92 or "80:100"')
        return self._parsed(value, parse_bpm, "bpm", "--bpm")

    def _range(self) -> tuple[float | None, float | None]:
        return self._read("range", parse_range, "--range") if "range" in self.document else (None, None)

    def _passages(self) -> tuple[Passage, ...]:
        texts = self._texts("meters")
        read = [(self._parsed(text, parse_passage, "meters"), text) for text in texts]
        read.sort(key=lambda item: item[0].first_bar)
        for (before, _), (after, text) in pairwise(read):
            if before.last_bar is None or before.last_bar >= after.first_bar:
                why = f"begins within the passage from bar {before.first_bar}; let one end before the other"
                raise self.wrong("meters", f"{text[:60]!r} {why}", value=text)
        return tuple(passage for passage, _ in read)

    def _tempi(self) -> tuple[TempoFrom, ...]:
        tempi = sorted((self._parsed(text, parse_tempo, "tempi") for text in self._texts("tempi")), key=_bar)
        if any(before.bar == after.bar for before, after in pairwise(tempi)):
            raise self.wrong("tempi", "a bar has two tempi")
        return tuple(tempi)

    def _sections(self) -> tuple[Section, ...]:
        sections = sorted(
            (self._parsed(text, parse_section, "sections") for text in self._texts("sections")),
            key=lambda section: section.first_bar,
        )
        for before, after in pairwise(sections):
            if before.last_bar >= after.first_bar:
                why = f"{after.name} begins in bar {after.first_bar}, within {before.name}"
                raise self.wrong("sections", why, value=after.name)
        return tuple(sections)

    def _taps(self) -> tuple[tuple[float, ...], tuple[int, ...], bool]:
        table = self.document.get("taps")
        if table is None:
            return (), (), False
        if not isinstance(table, dict):
            raise self.wrong("taps", "write it as a table: [taps], then times = [ ... ] and counts = [ ... ]")
        rows = self._list("times", table.get("times", []))
        times = tuple(self._time(value, "times", "taps").time_s for value in rows)
        counts, by_ear = self._list("counts", table.get("counts", [])), table.get("by_ear", False)
        if not isinstance(by_ear, bool):
            raise self.wrong("by_ear", "write true or false", "taps")
        if any(isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 64 for count in counts):
            raise self.wrong("counts", "write whole numbers from 1 on", "taps")
        if counts and len(counts) != len(times):
            raise self.wrong("counts", f"has {len(counts)} entries beside {len(times)} times", "taps")
        given = Given(np.array(times), np.array(counts, np.int64) if counts else None)
        try:
            read = tapped(given, Settings(), "")
        except PulsefindError as error:
            raise self.wrong("times", str(error).removeprefix(": "), "taps") from None
        return read.taps_s, read.taps_count, by_ear

    def _confirmed(self) -> tuple[Confirmed, ...]:
        rows = self._list("confirmed", self.document.get("confirmed", []))
        found = []
        for entry, row in enumerate(rows):
            if not isinstance(row, dict) or not isinstance(row.get("what"), str):
                raise self.wrong("confirmed", 'write it as a table: [[confirmed]], then what = "..."')
            by, on = row.get("by", ""), row.get("on", "")
            if not isinstance(by, str) or max(len(by), len(row["what"])) > LONGEST_TEXT:
                raise self.wrong("by", "write a name in quotes", "confirmed", entry)
            if isinstance(on, date):
                on = (on.date() if isinstance(on, datetime) else on).isoformat()
            if not isinstance(on, str) or len(on) > LONGEST_TEXT:
                raise self.wrong("on", "write a day like 2026-11-27", "confirmed", entry)
            found.append(Confirmed(row["what"], by, on))
        return tuple(found)


def _bar(tempo: TempoFrom) -> int:
    return tempo.bar


def _is_digest(text: str) -> bool:
    return len(text) == 64 and all(letter in "0123456789abcdefABCDEF" for letter in text)


def _shown(text: str) -> str:
    """Text from somebody's file, for a terminal: shown, not obeyed, and on one line."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)
