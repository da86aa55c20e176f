"""What a person knows better than the sound tells: the contents of the song's file, as frozen records.

Bars are numbered as in the report: 1 is the first full bar, and what stands before it is the pickup.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pulsefind.core.errors import HintError

EXACT_DECIMALS = 3
"""A time with three decimals or more says a millisecond, so it was copied and is meant; fewer are read off by ear."""


@dataclass(frozen=True, slots=True)
class One:
    """A place of the 1: its time, and whether it is that to the millisecond or found by ear."""

    time_s: float
    exact: bool


@dataclass(frozen=True, slots=True)
class BarForm:
    """A bar as it is written: its meter in words, its beats, and how many quarter notes each beat lasts.

    held is the count that is held freely (a fermata), 0 for none; until_s the time at which the next bar begins, None
    where the sound is to tell.
    """

    meter: str
    beats: int
    beat_quarters: float
    held: int = 0
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Passage:
    """Bars first_bar..last_bar (numbers, both included; None is the last of the song) run through these forms.

    They are repeated to the passage's end. at_s is the time of its first 1, None where the bars before it tell.
    """

    first_bar: int
    last_bar: int | None
    forms: tuple[BarForm, ...]
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class TempoFrom:
    """From this bar on (number) the tempo lies within these bounds, in beats a minute."""

    bar: int
    bpm_low: float
    bpm_high: float


@dataclass(frozen=True, slots=True)
class Section:
    """A named part of the song: bars first_bar..last_bar (numbers, both included)."""

    name: str
    first_bar: int
    last_bar: int


@dataclass(frozen=True, slots=True)
class Confirmed:
    """What was found right by ear, by whom, and on which day (ISO 8601); either may be empty."""

    what: str
    by: str = ""
    on: str = ""


@dataclass(frozen=True, slots=True)
class Belongs:
    """The recording that a file was made for: sha256 of its samples as decoded ("" if not said), and its length."""

    sha256: str
    length_s: float


@dataclass(frozen=True, slots=True)
class Corrections:
    """All that the song's file says. Empty, it says nothing.

    ones: the first is counted from in both directions, each later one from itself on. nudge_ms moves the whole grid,
    later if positive. meter, bpm_low, bpm_high, start_s and end_s are as in Settings. taps lie where they were tapped
    unless taps_by_ear: then the sound places them, and a lag that all of them share is taken out.
    """

    title: str = ""
    notes: tuple[str, ...] = ()
    recording: Belongs | None = None
    nudge_ms: float = 0.0
    ones: tuple[One, ...] = ()
    meter: tuple[int, int] | None = None
    bpm_low: float | None = None
    bpm_high: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    passages: tuple[Passage, ...] = ()
    tempi: tuple[TempoFrom, ...] = ()
    taps_s: tuple[float, ...] = ()
    taps_count: tuple[int, ...] = ()
    taps_by_ear: bool = False
    sections: tuple[Section, ...] = ()
    confirmed: tuple[Confirmed, ...] = ()


def is_exact(text: str) -> bool:
    """Does a time as it was typed say the millisecond?"""
    return len(text.strip().partition(".")[2]) >= EXACT_DECIMALS


def form_at(passages: tuple[Passage, ...], bar: int) -> BarForm | None:
    """How a bar (number) is written, or None where no passage says so."""
    for passage in passages:
        if bar >= max(1, passage.first_bar) and (passage.last_bar is None or bar <= passage.last_bar):
            return passage.forms[(bar - passage.first_bar) % len(passage.forms)]
    return None


def section_at(sections: tuple[Section, ...], bar: int) -> Section | None:
    """The section that holds a bar (number), or None."""
    return next((section for section in sections if section.first_bar <= bar <= section.last_bar), None)


def bars_of(text: str, sections: tuple[Section, ...], option: str = "--bars") -> str:
    """A range of bars as typed, with the name of a section turned into its bars: 'verse 2' into '33-48'.

    A number after a name that no section has as it stands counts the sections of that name. Text that begins with a
    digit is a range already and comes back as it is.

    Raises
    ------
    HintError
        if no section is called so, or several are.
    """
    name = " ".join(text.split())
    if not name or name[0].isdigit() or name[0] == "-":
        return text
    found = [section for section in sections if section.name.casefold() == name.casefold()]
    counted = re.fullmatch(r"(.+) (\d{1,3})", name)
    if not found and counted:
        called = [section for section in sections if section.name.casefold() == counted[1].casefold()]
        number = int(counted[2])
        if called and not 1 <= number <= len(called):
            raise HintError(f"{option} {text}: the song has {len(called)} called {called[0].name}")
        found = called[number - 1 : number]
    if not found:
        known = ", ".join(dict.fromkeys(section.name for section in sections))
        advice = f"the song's file names {known}" if known else "name it in the song's file, or write bars like 9-16"
        raise HintError(f"{option} {text}: no section is called so; {advice}")
    if len(found) > 1:
        raise HintError(f"{option} {text}: there are {len(found)}; say which, like '{name} 1' or '{name} 2'")
    return f"{found[0].first_bar}-{found[0].last_bar}"
