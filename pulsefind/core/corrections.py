"""What a person knows better than the sound: the contents of the song's file, as frozen records.

Bars are numbered as in the report: 1 is the first full bar, and anything before it is the pickup.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from pulsefind.core.errors import HintError

EXACT_DECIMALS = 3
"""A time with three decimals or more names a millisecond, so it was copied and is exact; fewer mean by ear (judged)."""


MOST_NUDGE_MS = 200.0  # judged: beyond, another beat is meant
FEWEST_TAPS = 4  # judged: fewer give no tempo
MOST_BEATS = 64  # judged: far beyond any bar that is counted
QUARTERS = (0.25, 0.5, 1.0, 1.5, 2.0)
"""How many quarter notes a counted beat may last: sixteenths to halves, and three eighths (common practice,
no source).
"""


@dataclass(frozen=True, slots=True)
class One:
    """A 1: its time, and whether that is exact to the millisecond or found by ear."""

    time_s: float
    exact: bool


@dataclass(frozen=True, slots=True)
class BarForm:
    """A bar as written: its meter in words, its beats, and how many quarter notes each beat lasts.

    held: the count that is held freely (a fermata), 0 for none; until_s: when the next bar begins, None to leave it to
    the sound.
    """

    meter: str
    beats: int
    beat_quarters: float
    held: int = 0
    until_s: float | None = None

    def __post_init__(self) -> None:
        """Check that such a bar can be counted."""
        if not (1 <= self.beats <= MOST_BEATS and 0 <= self.held <= self.beats and self.beat_quarters in QUARTERS):
            raise ValueError("a bar's beats are out of range")


@dataclass(frozen=True, slots=True)
class Passage:
    """Bars first_bar..last_bar (numbers, both included; None: the song's last) run through these forms.

    The forms repeat to the end of the passage. at_s: the time of its first 1, None if it follows from the bars before.
    """

    first_bar: int
    last_bar: int | None
    forms: tuple[BarForm, ...]
    at_s: float | None = None

    def __post_init__(self) -> None:
        """Check that it has bars."""
        if not self.forms or self.first_bar < 1 or (self.last_bar is not None and self.last_bar < self.first_bar):
            raise ValueError("a passage has no bars")


@dataclass(frozen=True, slots=True)
class TempoFrom:
    """From this bar (number) on, the tempo lies within these bounds, in beats per minute."""

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
    """Everything the song's file says; the default is an empty file.

    ones: the count runs from the first in both directions, from each later one forwards. nudge_ms moves the whole grid,
    later if positive. meter, bpm_low, bpm_high, start_s and end_s are as in Settings. Taps stay where they were tapped
    unless taps_by_ear: then the sound places them, and their common lag is taken out.
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


NOTHING_TOLD = Corrections()


def is_exact(text: str) -> bool:
    """Does a time, as typed, name the millisecond?"""
    return len(text.strip().partition(".")[2]) >= EXACT_DECIMALS


def counted_from(known: Corrections, start_s: float) -> Corrections:
    """The corrections with all their times counted from start_s of the recording."""
    return replace(
        known,
        ones=tuple(replace(one, time_s=one.time_s - start_s) for one in known.ones),
        taps_s=tuple(time_s - start_s for time_s in known.taps_s),
        passages=tuple(
            replace(
                passage,
                at_s=None if passage.at_s is None else passage.at_s - start_s,
                forms=tuple(
                    replace(form, until_s=None if form.until_s is None else form.until_s - start_s)
                    for form in passage.forms
                ),
            )
            for passage in known.passages
        ),
    )


def within(known: Corrections, start_s: float, end_s: float) -> Corrections:
    """The corrections without times outside a part of the recording, where they would change nothing."""
    taps = [k for k, time_s in enumerate(known.taps_s) if start_s <= time_s <= end_s]
    if len(taps) < FEWEST_TAPS:
        taps = []
    return replace(
        known,
        ones=tuple(one for one in known.ones if start_s <= one.time_s <= end_s),
        taps_s=tuple(known.taps_s[k] for k in taps),
        taps_count=tuple(known.taps_count[k] for k in taps if known.taps_count),
    )


def last_time_s(known: Corrections) -> float:
    """The latest time that the corrections name, in seconds; 0 where they name none."""
    times = [one.time_s for one in known.ones] + list(known.taps_s)
    for passage in known.passages:
        times += [time_s for time_s in (passage.at_s, *(form.until_s for form in passage.forms)) if time_s is not None]
    return max(times, default=0.0)


def form_at(passages: tuple[Passage, ...], bar: int) -> BarForm | None:
    """How a bar (number) is written, or None if no passage says so."""
    for passage in passages:
        if bar >= max(1, passage.first_bar) and (passage.last_bar is None or bar <= passage.last_bar):
            return passage.forms[(bar - passage.first_bar) % len(passage.forms)]
    return None


def section_at(sections: tuple[Section, ...], bar: int) -> Section | None:
    """The section that holds a bar (number), or None."""
    return next((section for section in sections if section.first_bar <= bar <= section.last_bar), None)


def bars_of(text: str, sections: tuple[Section, ...], option: str = "--bars") -> str:
    """A range of bars as typed, with the name of a section turned into its bars: 'verse 2' into '33-48'.

    If no section has the name as typed, a number after it counts the sections of that name. Text that begins with a
    digit is a range already and is returned unchanged.

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
