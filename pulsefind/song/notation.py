"""The short texts in the song's file: bars, meters, tempi and sections as a person writes them.

bars 48-65: 2/4 3/8 3/8 3/8 5/8
bars 9-: 3+3+2/8
bar 24: 4/4 held on 4 until 1:02.340
bars 48-65 at 1:23.456: 7/8
verse 2 33-48
"""

from __future__ import annotations

import re

from pulsefind.core.corrections import MOST_BEATS, BarForm, Passage, Section, TempoFrom
from pulsefind.core.errors import HintError
from pulsefind.core.hints import parse_bpm, parse_time

MOST_BARS = 20_000  # judged: four hours of quick bars
MOST_FORMS = 200  # judged: bars that one line may spell out
LONGEST_NAME = 60  # judged: characters of a section's name

_UNITS = (2, 4, 8, 16)  # note values of beats (common practice, no source)
_IN_THREES = ("9/8", "12/8")
_BARS = r"bars?\s+(?P<first>\d{1,5})(?P<range>\s*-\s*(?P<last>\d{1,5})?)?"


def parse_passage(text: str) -> Passage:
    """Read 'bars 48-65: 2/4 3/8 3/8 3/8 5/8' as a passage; 'bars 9-' runs to the end of the song.

    Raises
    ------
    HintError
        if it can't be understood; the text of the error doesn't repeat what was read.
    """
    match = re.fullmatch(rf"\s*{_BARS}(?:\s+at\s+(?P<at>[\d:.]+))?\s*:\s+(?P<forms>.+?)\s*", text, re.IGNORECASE)
    if not match:
        raise HintError("write it like 'bars 48-65: 2/4 3/8 3/8 3/8 5/8' or 'bar 24: 4/4 held on 4'")
    first, last = _bars(match)
    forms = _forms(match["forms"])
    if len(forms) > MOST_FORMS:
        raise HintError(f"lists {len(forms)} meters; up to {MOST_FORMS} can be repeated")
    return Passage(first, last, forms, _time(match["at"]) if match["at"] else None)


def parse_tempo(text: str) -> TempoFrom:
    """Read 'bar 33: 96' or 'bar 33: 90:100' as a tempo from that bar on.

    Raises
    ------
    HintError
        if it can't be understood.
    """
    match = re.fullmatch(r"\s*(?:from\s+)?bar\s+(\d{1,5})\s*:\s+([\d.:\s]+?)\s*", text, re.IGNORECASE)
    if not match or int(match[1]) < 1:
        raise HintError("write it like 'bar 33: 96' or 'bar 33: 90:100'")
    return TempoFrom(int(match[1]), *_bpm(match[2]))


def parse_section(text: str) -> Section:
    """Read 'verse 2 33-48' as a section called 'verse 2'.

    Raises
    ------
    HintError
        if it can't be understood.
    """
    match = re.fullmatch(r"\s*(\S.*?)\s+(?:bars?\s+)?(\d{1,5})(?:\s*-\s*(\d{1,5}))?\s*", text, re.DOTALL)
    if not match:
        raise HintError("write a name and its bars, like 'verse 9-24'")
    name, first, last = " ".join(match[1].split()), int(match[2]), int(match[3] or match[2])
    if name[0].isdigit() or name[0] == "-" or not name.isprintable():
        raise HintError("a section's name begins with a letter, like 'verse 9-24'")
    if len(name) > LONGEST_NAME:
        raise HintError(f"the name is too long: up to {LONGEST_NAME} characters")
    if not 1 <= first <= last:
        raise HintError(f"bars {first}-{last}: the first bar comes first, and bars count from 1")
    return Section(name, first, last)


def passage_text(passage: Passage) -> str:
    """A passage as parse_passage reads it."""
    last = "" if passage.last_bar is None else str(passage.last_bar)
    bars = f"bar {passage.first_bar}" if last == str(passage.first_bar) else f"bars {passage.first_bar}-{last}"
    at = "" if passage.at_s is None else f" at {time_words(passage.at_s)}"
    return f"{bars}{at}: {' '.join(form_text(form) for form in passage.forms)}"


def form_text(form: BarForm) -> str:
    """A bar as it is written: '4/4 held on 4 until 1:02.340'."""
    held = f" held on {form.held}" if form.held else ""
    return form.meter + held + (f" until {time_words(form.until_s)}" if form.until_s is not None else "")


def tempo_text(tempo: TempoFrom) -> str:
    """A tempo as parse_tempo reads it."""
    return f"bar {tempo.bar}: {tempo.bpm_low:.6g}:{tempo.bpm_high:.6g}"


def section_text(section: Section) -> str:
    """A section as parse_section reads it."""
    return f"{section.name} {section.first_bar}-{section.last_bar}"


def time_words(time_s: float) -> str:
    """A time to the millisecond, as minutes and seconds: 83.456 is '1:23.456'."""
    ms = round(1000 * time_s)
    return f"{ms // 60000}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _bars(match: re.Match[str]) -> tuple[int, int | None]:
    first = int(match["first"])
    last = first if match["range"] is None else int(match["last"]) if match["last"] else None
    if first < 1 or (last is not None and last < first):
        raise HintError("the first bar comes first, and bars count from 1")
    if (last or first) > MOST_BARS:
        raise HintError(f"no song has more than {MOST_BARS} bars")
    return first, last


def _forms(text: str) -> tuple[BarForm, ...]:
    """A sequence of meters; 'held on 4 until 1:02.340' belongs to the one before it."""
    pattern = re.compile(
        r"\s*(?P<meter>\d{1,2}(?:\+\d{1,2})*(?:/\d{1,2})?)(?!\S)"
        r"(?:\s+held\s+on\s+(?P<held>\d{1,2})(?:\s+until\s+(?P<until>[\d:.]+))?(?!\S))?",
        re.IGNORECASE,
    )
    forms, at = [], 0
    while at < len(text):
        match = pattern.match(text, at)
        if not match:
            raise HintError(f"'{text[at:].strip()[:20]}' is no meter; write 4/4, 7/8 or 3+3+2/8")
        form = parse_form(match["meter"])
        held = int(match["held"]) if match["held"] else 0
        if match["held"] and not 1 <= held <= form.beats:
            raise HintError(f"held on {held}: a bar of {form.meter} has counts 1 to {form.beats}")
        forms.append(BarForm(form.meter, form.beats, form.beat_quarters, held, _until(match["until"])))
        at = match.end()
    return tuple(forms)


def parse_form(text: str) -> BarForm:
    """Read '5/8' or '3+3+2/8' as a bar; without a note value, in eighths. 9/8 and 12/8 are counted in threes."""
    groups, slash, value = text.partition("/")
    beats, unit = sum(int(group) for group in groups.split("+")), int(value) if slash else 8
    if not slash and "+" not in groups:
        raise HintError(f"'{text}' is no meter; write 4/4, 7/8 or 3+3+2/8")
    if unit not in _UNITS or not 1 <= beats <= MOST_BEATS or any(int(group) == 0 for group in groups.split("+")):
        raise HintError(f"'{text}': bars of 1 to {MOST_BEATS} halves, quarters, eighths or sixteenths can be counted")
    meter = f"{groups}/{unit}"
    if meter in _IN_THREES:
        return BarForm(meter, beats // 3, 1.5)
    return BarForm(meter, beats, 4 / unit)


def _bpm(text: str) -> tuple[float, float]:
    try:
        return parse_bpm(text)
    except HintError as error:
        raise HintError(str(error).removeprefix(f"--bpm {text}: ")) from None


def _until(text: str | None) -> float | None:
    return _time(text) if text else None


def _time(text: str) -> float:
    return parse_time(text, "")
