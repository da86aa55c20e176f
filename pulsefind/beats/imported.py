"""Beats corrected elsewhere, checked and completed, to take the decoder's place."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pulsefind.beats.taps import MISSED, step_s, tapped_meter
from pulsefind.core.corrections import FEWEST_TAPS
from pulsefind.core.errors import FormatError, HintError
from pulsefind.core.hints import MOST_BEATS
from pulsefind.core.limits import LONGEST_BAR, LONGEST_BEAT_S, MOST_BEATS_IN_ALL, SHORTEST_BEAT_S
from pulsefind.core.records import FloatArray, IntArray, Pulse, Settings

USUAL_UNIT = 4  # common practice, no source
UNITS = (1, 2, 4, 8, 16, 32)  # powers of two, as in notation (common practice, no source)


@dataclass(frozen=True, slots=True)
class Given:
    """What a file says about beats: time_s (n,), and, where it says so, count, beats_per_bar (n,) and unit."""

    time_s: FloatArray
    count: IntArray | None = None
    beats_per_bar: IntArray | None = None
    unit: int | None = None


def pulse_of(given: Given, settings: Settings, name: str) -> Pulse:
    """Complete what a file says with the hints, and check it.

    Without counts, the meter comes from its hint, and the 1 from its own hint or else from the first beat. Without
    meters, each bar is as long as it is counted; a last bar cut short has the meter of the one before.

    Raises
    ------
    FormatError
        if times don't increase, counts don't follow each other, or neither file nor hints give counts.
    """
    _check_times(given.time_s, name)
    count = _counted(given.time_s, settings, name) if given.count is None else given.count
    _check_counts(count, name)
    if given.beats_per_bar is None or settings.meter is not None:
        meters = _meters(count, settings)
    else:
        meters = given.beats_per_bar
    if (count > meters).any():
        at = int(np.argmax(count > meters))
        raise FormatError(f"{name}: beat {at + 1} has the count {int(count[at])} in a bar of {int(meters[at])}")
    if meters.max() > LONGEST_BAR:
        raise FormatError(f"{name}: has bars of {int(meters.max())} beats; bars of up to {LONGEST_BAR} can be counted")
    unit = settings.meter[1] if settings.meter else given.unit or USUAL_UNIT
    if unit not in UNITS:
        raise FormatError(f"{name}: counts the note value 1/{unit}; halves to thirty-seconds can be counted")
    return Pulse(given.time_s, count, meters, unit, 1.0, 1.0, 1.0)


def tapped(given: Given, settings: Settings, name: str) -> Settings:
    """The settings with what a file says about taps. After a pause, the count may start anywhere.

    Raises
    ------
    FormatError
        if there are too few taps, or their times or counts don't follow each other.
    HintError
        if another hint says what the taps say.
    """
    _check_times(given.time_s, name)
    if len(given.time_s) < FEWEST_TAPS:
        raise FormatError(f"{name}: holds {len(given.time_s)} taps; tap at least {FEWEST_TAPS} beats, better 8 bars")
    if settings.bpm_low is not None:
        raise HintError("--taps tells the tempo; leave out --bpm, or the taps")
    if given.count is None:
        return replace(settings, taps_s=tuple(map(float, given.time_s)))
    if settings.one_at_s is not None:
        raise HintError(f"{name}: its counts say where the 1 is; leave out --one-at, or the counts")
    _check_tapped_counts(given.time_s, given.count, settings, name)
    return replace(settings, taps_s=tuple(map(float, given.time_s)), taps_count=tuple(map(int, given.count)))


def _check_tapped_counts(time_s: FloatArray, count: IntArray, settings: Settings, name: str) -> None:
    pauses = np.flatnonzero(np.diff(time_s) >= MISSED * step_s(time_s)) + 1
    for run in np.split(count, pauses):
        _check_counts(run, name)
    most = settings.beats_per_bar or MOST_BEATS
    if count.max() > most:
        at = int(np.argmax(count > most))
        raise FormatError(f"{name}: tap {at + 1} has the count {int(count[at])}; bars of {most} beats are counted")
    if count.max() == 1:
        raise FormatError(f"{name}: every tap is counted 1; tap the beats, and count them")
    meter = tapped_meter(tuple(map(int, count)))
    if settings.beats_per_bar is not None and meter not in (None, settings.beats_per_bar):
        raise HintError(f"{name}: counts bars of {meter}, --meter asks for bars of {most}; leave one of them out")


def _check_times(time_s: FloatArray, name: str) -> None:
    if len(time_s) < 2:
        raise FormatError(f"{name}: holds {len(time_s)} beats; at least 2 are needed")
    if len(time_s) > MOST_BEATS_IN_ALL:
        raise FormatError(f"{name}: holds {len(time_s)} beats; up to {MOST_BEATS_IN_ALL} can be counted")
    bad = ~np.isfinite(time_s) | (time_s < 0)
    if bad.any():
        raise FormatError(f"{name}: the time of beat {int(np.argmax(bad)) + 1} isn't a time in the recording")
    back = np.diff(time_s) <= 0
    if back.any():
        raise FormatError(f"{name}: beat {int(np.argmax(back)) + 2} does not come after the one before it; sort them")
    odd = (np.diff(time_s) < SHORTEST_BEAT_S) | (np.diff(time_s) > LONGEST_BEAT_S)
    if odd.any():
        at = int(np.argmax(odd))
        raise FormatError(
            f"{name}: beat {at + 2} comes {np.diff(time_s)[at]:.3f} s after the one before it; "
            f"beats lie {SHORTEST_BEAT_S:g} to {LONGEST_BEAT_S:g} s apart"
        )


def _counted(time_s: FloatArray, settings: Settings, name: str) -> IntArray:
    beats = settings.beats_per_bar
    if beats is None:
        raise FormatError(f"{name}: has no counts; add them, or name the meter with --meter 4/4")
    one = 0 if settings.one_at_s is None else int(np.argmin(np.abs(time_s - settings.one_at_s)))
    count: IntArray = (np.arange(len(time_s)) - one) % beats + 1
    return count


def _check_counts(count: IntArray, name: str) -> None:
    wrong = (np.diff(count) != 1) & (count[1:] != 1)
    if count.min() < 1 or wrong.any():
        at = int(np.argmax(wrong)) + 1 if wrong.any() else int(np.argmin(count))
        before = f" after {int(count[at - 1])}" if at else ""
        raise FormatError(
            f"{name}: beat {at + 1} has the count {int(count[at])}{before}; counts go up by one or start over at 1"
        )


def _meters(count: IntArray, settings: Settings) -> IntArray:
    if settings.beats_per_bar is not None:
        return np.full(len(count), settings.beats_per_bar, np.int64)
    starts = np.r_[0, np.flatnonzero(count[1:] == 1) + 1]
    last = np.r_[starts[1:], len(count)] - 1
    full = count[last]
    if len(full) > 1:
        full[-1] = max(int(full[-1]), int(full[-2]))
    return np.repeat(full, np.diff(np.r_[starts, len(count)]))
