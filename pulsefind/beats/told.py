"""Beats that a person gave to the millisecond: they stay where they were put, whatever is heard near them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pulsefind.beats.taps import MISSED, step_s
from pulsefind.core.errors import HintError
from pulsefind.core.nearest import nearest
from pulsefind.core.records import Beats, FloatArray, IntArray, Pulse, Settings

_SHORTEST_S = 0.03  # judged: beats closer than this are one beat, given twice

TOLD_OFF_MS = 20.0
"""A smaller difference isn't worth mentioning (judged: drummers notice 19 to 24 ms between two drums)."""


def with_taps_in_place(pulse: Pulse, settings: Settings) -> Pulse:
    """The pulse with beats exactly where they were tapped: within a run of taps there are these beats and no others.

    Counts are as tapped; without counts they continue from the beat before the run.
    """
    if not settings.taps_s or settings.taps_by_ear or not len(pulse.time_s):
        return pulse
    tap_s = np.array(settings.taps_s)
    counts = np.array(settings.taps_count, np.int64)
    edges = np.flatnonzero(np.diff(tap_s) >= MISSED * step_s(tap_s)) + 1
    for part in np.split(np.arange(len(tap_s)), edges):
        pulse = _with_run(pulse, tap_s[part], counts[part] if len(counts) else None)
    return pulse


def _with_run(pulse: Pulse, tap_s: FloatArray, counts: IntArray | None) -> Pulse:
    """The pulse with one run of taps put in."""
    half = step_s(tap_s) / 2 if len(tap_s) > 1 else 0.1
    before = int(np.searchsorted(pulse.time_s, tap_s[0] - half))
    after = int(np.searchsorted(pulse.time_s, tap_s[-1] + half))
    near = np.clip(nearest(pulse.time_s, tap_s), 0, len(pulse.time_s) - 1)
    as_found = counts is None or np.array_equal(pulse.count[near], counts)
    if as_found and len(np.unique(near)) == len(near) == after - before and near[0] == before:
        # The taps match the beats found one for one, counts included.
        time_s = pulse.time_s.copy()
        time_s[near] = tap_s
        return replace(pulse, time_s=time_s)
    meter = int(pulse.beats_per_bar[near[0]])
    if counts is None:
        first = int(pulse.count[before - 1]) if before else 0
        counts = (first + np.arange(len(tap_s))) % meter + 1
    meters = np.maximum(counts, pulse.beats_per_bar[near])
    quarters = pulse.beat_quarters
    if len(quarters):
        quarters = np.r_[quarters[:before], quarters[near], quarters[after:]]
    return replace(
        pulse,
        beat_quarters=quarters,
        time_s=np.r_[pulse.time_s[:before], tap_s, pulse.time_s[after:]],
        count=np.r_[pulse.count[:before], counts, pulse.count[after:]],
        beats_per_bar=np.r_[pulse.beats_per_bar[:before], meters, pulse.beats_per_bar[after:]],
    )


def exact_times(settings: Settings) -> FloatArray:
    """(n,) every time given to the millisecond: 1s, where passages begin and holds end, and taps."""
    known = settings.corrections
    times = [one.time_s for one in known.ones if one.exact]
    times += [settings.one_at_s] if settings.one_at_s is not None and settings.one_exact else []
    times += [passage.at_s for passage in known.passages if passage.at_s is not None]
    times += [form.until_s for passage in known.passages for form in passage.forms if form.until_s is not None]
    if not settings.taps_by_ear:
        times += settings.taps_s
    return np.unique(np.array(times, np.float64))


def pinned(beats: Beats, at_s: FloatArray) -> Beats:
    """The beats with the one nearest to each of these times (n,) put there; the others stay.

    A time that lies farther from every beat than half of the way to the next is left: no beat is meant by it.

    Raises
    ------
    HintError
        if the beats would no longer follow each other.
    """
    if not len(at_s) or len(beats.time_s) < 2:
        return beats
    time_s, confidence, carried = beats.time_s.copy(), beats.confidence.copy(), beats.carried.copy()
    which = nearest(beats.time_s, at_s)
    half = np.median(np.diff(beats.time_s)) / 2
    meant = np.abs(beats.time_s[which] - at_s) <= half
    time_s[which[meant]], confidence[which[meant]], carried[which[meant]] = at_s[meant], 1.0, False
    close = np.diff(time_s) < _SHORTEST_S
    if close.any() and (np.diff(beats.time_s) >= _SHORTEST_S)[close].any():
        at = float(time_s[int(np.argmax(close))])
        raise HintError(f"the times given around {at:.3f} s leave no room for the beats there; check them")
    return Beats(time_s, confidence, carried)


def unmoved(beats: Beats, pulse: Pulse, placed: Beats, heard: Pulse) -> Beats:
    """The beats, with those that stay as heard left exactly where they were placed before anything was given.

    Smoothed over other neighbours, they would shift by fractions of a millisecond.
    """
    if not len(heard.time_s) or not len(pulse.time_s):
        return beats
    same = nearest(heard.time_s, pulse.time_s)
    stays = heard.time_s[same] == pulse.time_s
    time_s = np.where(stays, placed.time_s[same], beats.time_s)
    return replace(beats, time_s=time_s) if (np.diff(time_s) > 0).all() else beats


def off_the_sound(beats: Beats, settings: Settings, start_s: float) -> tuple[str, ...]:
    """A warning, one for all, about 1s that were given exactly but lie elsewhere in the sound.

    beats: where the sound has them; start_s: where their times count from, in seconds of the recording.
    """
    told = [(one.time_s, one.exact) for one in settings.corrections.ones]
    told += [(settings.one_at_s, settings.one_exact)] if settings.one_at_s is not None else []
    at_s = np.array(sorted(time_s for time_s, exact in told if exact))
    if not len(at_s) or not len(beats.time_s):
        return ()
    off_ms = 1000 * (at_s - beats.time_s[nearest(beats.time_s, at_s)])
    worst = int(np.argmax(np.abs(off_ms)))
    if abs(off_ms[worst]) < TOLD_OFF_MS:
        return ()
    way = "later" if off_ms[worst] > 0 else "earlier"
    warning = (
        f"the 1 at {at_s[worst] + start_s:.3f} s lies {abs(off_ms[worst]):.0f} ms {way} than the sound has it; "
        f"it stays there, its neighbours stay too (to move all beats: nudge_ms = {off_ms[worst]:.0f})"
    )
    return (warning,)
