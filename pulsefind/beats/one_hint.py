"""Which beat a person means by the time of a 1.

Such a time is either copied from somewhere and exact, or pressed by ear and off by up to 150 ms, which at quick tempi
is nearly half a beat. So nearness is weighed against what was heard: a time right on a beat settles which one is meant,
and one between two beats leaves it to the sound.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import FloatArray, IntArray

EXACT_S, BY_EAR_S = 0.01, 0.075
"""Standard deviations of copied times and of times found by ear, each as likely as the other (judged)."""

REACH_S = 0.16
"""A time further than this from a beat doesn't mean it (judged: 150 ms and a frame of the networks)."""

OWN_PLACE_S = 0.06
"""An exact time this close to a beat moves that beat alone (judged: a soft attack is heard this much later than it
begins); from further away all beats move with it.
"""

_NEAR_BEATS = 8  # judged: two bars tell the tempo at either end

EVIDENCE_LIMIT = 4.6
"""The most that what was heard may count, in log odds (judged: 99 %, beyond which no other beat phase is offered)."""

COUNT_LIMIT = 1.4
"""The most that the 1 that was heard may count, in log odds (judged: 80 %). A person names a 1 mostly because the one
they were told is wrong; if that one counted in full, the middle between two beats would be taken for what they mean.
"""


def among_beats(time_s: FloatArray, meter: int, one_at_s: float) -> float:
    """The time, moved by whole bars to within the beats if it lies before or after all of them: that is a 1 too.

    time_s: (n_beats,), at least two.
    """
    step = np.diff(time_s)
    first_s, last_s = (float(np.median(part)) for part in (step[:_NEAR_BEATS], step[-_NEAR_BEATS:]))
    early = time_s[0] - first_s / 2 - one_at_s
    late = one_at_s - time_s[-1] - last_s / 2
    if early > 0:
        return one_at_s + float(np.ceil(early / (meter * first_s))) * meter * first_s
    if late > 0:
        return one_at_s - float(np.ceil(late / (meter * last_s))) * meter * last_s
    return one_at_s


def log_fit(away_s: FloatArray) -> FloatArray:
    """(n,) log density of a person's time that lies so far from the beat they mean."""
    parts = [np.log(0.5 / spread) - 0.5 * (away_s / spread) ** 2 for spread in (EXACT_S, BY_EAR_S)]
    fit: FloatArray = np.logaddexp(*parts)
    return fit


def meant(
    time_s: FloatArray, count: IntArray, shares: FloatArray, one_at_s: float, exact: bool = False
) -> tuple[int, float]:
    """Index of the beat meant, and how well it fits, as a log density.

    time_s and count: (n_beats,), at least one; shares: (meter,) probability that the 1 lies 0, 1, 2 ... beats after
    where it is counted. An exact time means the nearest beat, whatever was heard.
    """
    if exact:
        away_s = np.abs(time_s - one_at_s)
        return int(np.argmin(away_s)), -float(away_s.min()) / EXACT_S
    heard = np.log(np.maximum(shares / shares.max(), np.exp(-COUNT_LIMIT)))
    fit = log_fit(np.abs(time_s - one_at_s)) + heard[(count - 1) % len(shares)]
    best = int(np.argmax(fit))
    return best, float(fit[best])
