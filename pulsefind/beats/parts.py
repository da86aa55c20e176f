"""Parts of a pulse: cut out, joined again, and recounted from any count."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from pulsefind.beats.counting import BarPath, rotated
from pulsefind.core.arrays import most_common
from pulsefind.core.records import Pulse

LOCAL_BEATS = 8
"""How many beats around a beat give the tempo there (judged)."""


def counted_from_one(pulse: Pulse) -> Pulse:
    """The pulse counted so that its first beat is a 1."""
    return recounted(pulse, 1)


def recounted(pulse: Pulse, first_count: int) -> Pulse:
    """The pulse, with its first beat having this count.

    The whole count is shifted. But if the next bar of an unusual length exactly makes up for the shift, that bar
    becomes a usual one and what follows stays as heard: correcting the first of two slips, there and back, settles
    both.
    """
    if not len(pulse.count) or pulse.count[0] == first_count:
        return pulse
    usual = most_common(pulse.beats_per_bar)
    odd = np.flatnonzero((pulse.count == 1) & (pulse.beats_per_bar != usual))
    stop = int(odd[0] + pulse.beats_per_bar[odd[0]]) if len(odd) else 0
    if 0 < stop <= len(pulse.count) and (first_count - 1 + stop) % usual == 0:
        even = (first_count - 1 + np.arange(stop)) % usual + 1
        return replace(
            pulse,
            count=np.r_[even, pulse.count[stop:]],
            beats_per_bar=np.r_[np.full(stop, usual), pulse.beats_per_bar[stop:]],
        )
    meter = int(pulse.beats_per_bar[0])
    one = min((meter + 1 - first_count) % meter, len(pulse.count) - 1)
    bars = rotated(BarPath(pulse.count.copy(), pulse.beats_per_bar.copy(), 0.0, np.zeros(0)), one)
    return replace(pulse, count=bars.count, beats_per_bar=bars.beats_per_bar)


def settled(pulse: Pulse) -> Pulse:
    """The pulse with consecutive counts, and bars as long as they are counted, wherever parts of it meet.

    A 1 stays a 1. Between two of them beats are counted up; the first bar may begin with any count, the last may be cut
    short.
    """
    count, meters = pulse.count.copy(), pulse.beats_per_bar.copy()
    if not len(count):
        return pulse
    for k in range(1, len(count)):
        if count[k] != 1 and count[k] != count[k - 1] + 1:
            count[k] = count[k - 1] + 1 if count[k - 1] < meters[k - 1] else 1
    starts = [0, *(np.flatnonzero(count[1:] == 1) + 1).tolist(), len(count)]
    for first, end in pairwise(starts):
        counted, inner = int(count[end - 1]), end < len(count) and count[first] == 1
        meters[first:end] = counted if inner else max(counted, int(meters[first]))
    return replace(pulse, count=count, beats_per_bar=meters)


def with_time(pulse: Pulse, at: int, time_s: float) -> Pulse:
    """The pulse with one beat (index) at another time; unchanged if that isn't between its neighbours."""
    moved = pulse.time_s.copy()
    moved[at] = time_s
    return replace(pulse, time_s=moved) if (np.diff(moved) > 0).all() else pulse


def joined(before: Pulse, after: Pulse) -> Pulse:
    """Two parts of a song joined; a bar that the second part cuts short is as long as it was counted.

    If it and a short bar before it add up to a usual bar, the count had slipped: both become one bar.
    """
    if len(after.time_s):
        before = first_part(before, int(np.searchsorted(before.time_s, after.time_s[0])))
    count, meters = before.count.copy(), before.beats_per_bar.copy()
    begin = len(count) - int(count[-1]) if len(count) else -1
    # A pickup keeps its meter: it isn't a short bar.
    if len(after.time_s) and after.count[0] == 1 and begin >= 0:
        meters[begin:] = count[-1]
        usual, earlier = most_common(before.beats_per_bar), begin - int(count[begin - 1]) if begin else -1
        if earlier >= 0 and len(count) - earlier == usual and meters[begin] != usual:
            count[earlier:], meters[earlier:] = np.arange(1, usual + 1), usual
    return replace(
        before,
        time_s=np.r_[before.time_s, after.time_s],
        count=np.r_[count, after.count],
        beats_per_bar=np.r_[meters, after.beats_per_bar],
        beat_quarters=np.r_[before.beat_quarters, after.beat_quarters],
    )


def first_part(pulse: Pulse, n: int) -> Pulse:
    """The first n beats."""
    return _part(pulse, slice(0, n))


def last_part(pulse: Pulse, first: int) -> Pulse:
    """The beats from one (index) on."""
    return _part(pulse, slice(first, len(pulse.time_s)))


def _part(pulse: Pulse, part: slice) -> Pulse:
    return replace(
        pulse,
        time_s=pulse.time_s[part],
        count=pulse.count[part],
        beats_per_bar=pulse.beats_per_bar[part],
        beat_quarters=pulse.beat_quarters[part],
    )


def beat_length_s(pulse: Pulse, at: int) -> float:
    """The usual length of the beats around one."""
    near = np.diff(pulse.time_s[max(0, at - LOCAL_BEATS // 2) : at + LOCAL_BEATS // 2 + 1])
    return float(np.median(near)) if len(near) else 0.5


def quarter_length_s(pulse: Pulse, at_end: bool) -> float:
    """How long a quarter note lasts at the end of a part, or at its beginning."""
    steps = np.diff(pulse.time_s) / pulse.beat_quarters[:-1]
    if not len(steps):
        return 0.5
    return float(np.median(steps[-LOCAL_BEATS:] if at_end else steps[:LOCAL_BEATS]))
