"""Hints as they are typed: meters, tempi, times and ranges."""

from __future__ import annotations

import re

from pulsefind.core.errors import HintError

MOST_BEATS = 7  # judged: longer bars are counted as two
_UNITS = (2, 4, 8, 16)  # note values of beats (common practice, no source)
_BPM_RANGE = (20.0, 400.0)  # judged: beyond, nobody counts


def parse_whole(text: str) -> int | None:
    """Read a whole number, of bars for example, of at most six digits; None for any other text."""
    return int(text) if re.fullmatch(r"\s*[0-9]{1,6}\s*", text) else None


def parse_meter(text: str) -> tuple[int, int]:
    """Read '7/8' as (7, 8). Bars of 2 to 7 beats, and 9/8 and 12/8, which are counted in beats of three.

    Raises
    ------
    HintError
        if it is no meter, or one that can't be counted.
    """
    match = re.fullmatch(r"\s*(\d{1,2})\s*/\s*(\d{1,2})\s*", text)
    if not match or int(match[2]) not in _UNITS:
        raise HintError(f"--meter {text}: write it like 4/4, 7/8 or 12/8")
    beats, unit = int(match[1]), int(match[2])
    if not 2 <= beats <= MOST_BEATS and (beats, unit) not in ((9, 8), (12, 8)):
        raise HintError(f"--meter {text}: bars of 2 to {MOST_BEATS} beats can be counted, and 9/8 and 12/8")
    return beats, unit


def parse_bpm(text: str) -> tuple[float, float]:
    """Read '80:100' as (80, 100), and '90' as 90 with 6 % on either side."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?::\s*(\d+(?:\.\d+)?))?\s*", text)
    if not match:
        raise HintError(f"--bpm {text}: write it like 92 or 80:100")
    low = float(match[1])
    low, high = (low, float(match[2])) if match[2] else (low * 0.94, low * 1.06)
    if low >= high:
        raise HintError(f"--bpm {text}: the lower tempo comes first, for example 80:100")
    if low < _BPM_RANGE[0] or high > _BPM_RANGE[1]:
        raise HintError(f"--bpm {text}: tempi from {_BPM_RANGE[0]:.0f} to {_BPM_RANGE[1]:.0f} can be looked for")
    return low, high


def parse_time(text: str, option: str) -> float:
    """Read seconds ('12.34'), minutes ('1:02.5') or hours ('1:02:03') as seconds."""
    match = re.fullmatch(r"\s*(?:(?:(\d{1,2}):)?(\d{1,3}):)?(\d{1,6}(?:\.\d+)?)\s*", text)
    if not match:
        raise HintError(f"{option} {text}: write a time like 12.34 or 1:02.5")
    hours, minutes, seconds = int(match[1] or 0), int(match[2] or 0), float(match[3])
    if (match[2] and seconds >= 60) or (match[1] and minutes >= 60):
        raise HintError(f"{option} {text}: after a colon a number below 60 is needed")
    return 3600.0 * hours + 60.0 * minutes + seconds


def parse_range(text: str) -> tuple[float | None, float | None]:
    """Read '0:30-2:10' as (30, 130); either side may be left out for the start or the end of the recording."""
    start, dash, end = text.partition("-")
    if not dash or not (start.strip() or end.strip()):
        raise HintError(f"--range {text}: write it like 0:30-2:10, 30- or -2:10")
    start_s = parse_time(start, "--range") if start.strip() else None
    end_s = parse_time(end, "--range") if end.strip() else None
    if end_s is not None and end_s <= (start_s or 0.0):
        raise HintError(f"--range {text}: it ends before it starts")
    return start_s, end_s
