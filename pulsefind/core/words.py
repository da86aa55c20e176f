"""The wording shared by everything that reports: times, bars, places, grids; and lines of a report."""

from __future__ import annotations

import os
import re
import shlex
import textwrap
from pathlib import Path

from pulsefind.core.records import Analysis, Stretch

WIDTH = 80
"""Columns that every text for a terminal is wrapped to: common practice, no source."""

INDENT = 10
"""The column in which the text of a report's field begins: the longest name and a space (arithmetic)."""

_JOINED = "\N{NO-BREAK SPACE}"

ENDS_EARLY = "the end of the recording is missing"
TAKE_ENDS_EARLY = "the end of the take is missing"
ONE_UNSURE = "the place of the 1 is uncertain; check it by ear"
TEMPO_UNSURE = "half or double the tempo may be meant; tap along to find out"
"""Warnings of an analysis that a report expresses better, as doubts."""


def name_text(path: str | Path) -> str:
    """A path as text that can be saved: bytes that are none become the replacement character."""
    return os.fsencode(path).decode("utf-8", "replace")


def shell_word(path: str | Path) -> str:
    r"""A path as it is typed in a command, in text that can be saved: 'my song.wav', quotes included.

    Bytes that are no text are given in octal, as POSIX has it since 2024 and bash and zsh long before: $'a\377b'.
    """
    text = str(path)
    if text == name_text(text):
        return shlex.quote(text)
    letters = ("\\" + c if c in "\\'" else c if c == name_text(c) else f"\\{os.fsencode(c)[0]:03o}" for c in text)
    return f"$'{''.join(letters)}'"


def time_text(time_s: float) -> str:
    """Minutes and seconds to the hundredth: 83.456 is '1:23.46'."""
    hundredths = round(time_s * 100)
    return f"{hundredths // 6000}:{hundredths // 100 % 60:02d}.{hundredths % 100:02d}"


def field(name: str, text: str, head: str = "") -> list[str]:
    """A line of the report, wrapped: its name on the left, then a column for the head and one for the text."""
    return wrapped(text, name.ljust(INDENT) + head, " " * (INDENT + len(head)))


def wrapped(text: str, first: str = "", others: str = "") -> list[str]:
    """Text in lines for a terminal, with these indents; an option stays with its value, and words stay whole."""
    whole = re.sub(r"(--[a-z][a-z-]*) (?=[\w'\"])", rf"\1{_JOINED}", text)
    lines = textwrap.wrap(whole, WIDTH, initial_indent=first, subsequent_indent=others, break_on_hyphens=False)
    return [line.replace(_JOINED, " ") for line in lines]


def clock(time_s: float) -> str:
    """Minutes and seconds as a player shows them: clock(83.4) is '1:23'."""
    return f"{int(time_s) // 60}:{int(time_s) % 60:02d}"


def clipped(text: str, width: int) -> str:
    """Text for one line: unprintable characters become '?', what doesn't fit '...'."""
    shown = "".join(c if c.isprintable() else "?" for c in text)
    return shown if len(shown) <= width else shown[: width - 3] + "..."


def listed(words: list[str]) -> str:
    """A list in words: 'a', 'a and b', 'a, b and c'."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def stretches_text(stretches: tuple[Stretch, ...], analysis: Analysis, most: int = 5) -> str:
    """Bars in words: 'bars 1-16 and 21-40', 'pickup to bar 2'; the numbers count from the first full bar."""
    number = analysis.bars.number
    spans = [(int(number[stretch.first_bar]), int(number[stretch.last_bar])) for stretch in stretches]
    if spans and spans[0][0] == 0:
        named = [bars_text(*spans[0])]
        numbers = [_span(*span) for span in spans[1:]]
        numbers[:1] = [f"bars {numbers[0]}"] if numbers else []
    else:
        named = []
        numbers = [_span(*span) for span in spans]
        single = len(numbers) == 1 and "-" not in numbers[0]
        numbers[:1] = [f"{'bar' if single else 'bars'} {numbers[0]}"] if numbers else []
    names = [*named, *numbers]
    if len(names) > most:
        left = len(names) - most
        names = [*names[:most], f"{left} more {'stretch' if left == 1 else 'stretches'}"]
    return listed(names) if names else "no bar"


def _span(first: int, last: int) -> str:
    return str(first) if first == last else f"{first}-{last}"


def percent(share: float) -> str:
    """A probability in percent, never as if it were certain: from '1 %' to '99 %'."""
    return f"{min(99, max(1, round(100 * share)))} %"


def bars_text(first: int, last: int | None = None) -> str:
    """'bar 3', 'bars 3-5'; numbers count from the first full bar, 'pickup to bar 2' begins before it."""
    if first == 0:
        return f"pickup to bar {last}" if last else "the pickup"
    return f"bars {first}-{last}" if last is not None and last != first else f"bar {first}"
