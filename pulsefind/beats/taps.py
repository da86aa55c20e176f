"""Tapped beats: a player tapping along is strong evidence of where the beat, and perhaps the 1, is.

Taps are off by tens of milliseconds and, because of hands and machines, often all late. They say which of several beats
is meant; the sound says better exactly where it lies. So taps raise the activation around them and lower it between
them, and the search for beats then runs as always, over the tapped bars and the rest of the track.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.special import expit, logit

from pulsefind.beats.counting import CountPriors, best_bars
from pulsefind.core.corrections import FEWEST_TAPS
from pulsefind.core.nearest import distance, nearest
from pulsefind.core.records import Activations, FloatArray, IntArray, Pulse, Settings

SCATTER_S = 0.04
"""Standard deviation of a tap around its beat: tapping along to music scatters by 20 to 40 ms, and a key or a screen
adds some of its own (common practice, no source).
"""

LATEST_S = 0.15
"""How late or early all taps may be (judged): the delay of a screen or a wireless headphone."""

NEAR_SHARE = 0.25
"""They are never moved by more than this share of a beat, since that would mean another beat phase (judged)."""

MISSED = 1.6
"""A step of this many usual ones is a gap in the taps (judged)."""

PAUSE = 4.5
"""A longer step, in usual ones, separates taps in one part of a song from those in another (judged)."""

TAP_LOG_ODDS = 6.0
"""Log odds of a beat at a tap, and against one midway between two taps (judged)."""

COUNT_LOG_ODDS = 12.0
"""Log odds of a downbeat where a 1 was tapped, and against one at other counts (judged)."""

_LOG_ODDS_LIMIT = 5.3  # 0.5 % and 99.5 %: judged, no network deserves more
_SAME_BEAT_S = 0.07  # published: within it two times are the same beat (Davies et al. 2009)


def lateness_s(activations: Activations, tap_s: FloatArray) -> float:
    """How much later than the sound the taps are as a whole; negative if they are early.

    The taps are shifted against the activation, smoothed by their scatter, to where they meet most of it; the fewer
    taps, the more small shifts are preferred. Where nothing sounds, taps are on time.
    """
    rate_hz = activations.frame_rate_hz
    beat = gaussian_filter1d(activations.values.sum(axis=1), SCATTER_S * rate_hz, mode="constant")
    reach = int(min(LATEST_S, NEAR_SHARE * step_s(tap_s)) * rate_hz)
    shift = np.arange(-reach, reach + 1)
    frame = np.round(tap_s * rate_hz).astype(np.int64)[:, None] - shift
    inside = (frame >= 0) & (frame < len(beat))
    met = np.where(inside, beat[np.clip(frame, 0, max(len(beat) - 1, 0))], 0.0).mean(axis=0)
    likely = met * np.exp(-0.5 * (shift / (LATEST_S / 2 * rate_hz)) ** 2 / len(tap_s))
    best = int(np.argmax(likely))
    # At the edge of the reach, nothing is met, or something other than what was tapped.
    return 0.0 if best in (0, 2 * reach) else float(shift[best] / rate_hz)


def step_s(tap_s: FloatArray) -> float:
    """The usual step between taps."""
    return float(np.median(np.diff(tap_s)))


def groups(settings: Settings) -> list[Settings]:
    """The settings with the taps up to a pause of more than a bar, then with those up to the next: one for each group.

    The first group applies to the whole track, each later one from itself on. If a group is too small to give a tempo,
    all taps are one group.
    """
    if not settings.taps_s:
        return [settings]
    tap_s = np.array(settings.taps_s)
    cuts = np.flatnonzero(np.diff(tap_s) > PAUSE * step_s(tap_s)) + 1
    parts = np.split(np.arange(len(tap_s)), cuts)
    if min(map(len, parts)) < FEWEST_TAPS:
        return [settings]
    return [
        replace(
            settings,
            taps_s=tuple(settings.taps_s[k] for k in part),
            taps_count=tuple(settings.taps_count[k] for k in part) if settings.taps_count else (),
        )
        for part in parts
    ]


def tempi(tap_s: FloatArray) -> tuple[float, float]:
    """The slowest and the fastest tempo that the taps allow: half an octave either side of what was tapped."""
    step = np.diff(tap_s)
    step = step[step < MISSED * step_s(tap_s)]
    slowest, fastest = np.percentile(step, [90, 10])
    return float(60 / slowest / np.sqrt(2)), float(60 / fastest * np.sqrt(2))


def with_taps(activations: Activations, tap_s: FloatArray) -> Activations:
    """The activations given the taps: tap_s (n_taps,), lateness taken out."""
    rate_hz = activations.frame_rate_hz
    time_s = np.arange(len(activations.values)) / rate_hz
    away_s = distance(tap_s, time_s)
    tapped = _within_runs(time_s, tap_s)
    told = TAP_LOG_ODDS * (2 * np.exp(-0.5 * (away_s / SCATTER_S) ** 2) - 1) * tapped
    total = activations.values.sum(axis=1)
    share = np.divide(activations.values[:, 1], total, out=np.full(len(total), 0.25), where=total > 0)
    limit = expit(-_LOG_ODDS_LIMIT)
    heard = np.clip(total, limit, 1 - limit)
    beat = np.where(tapped, expit(logit(heard) + told), total)
    return replace(activations, values=np.stack([beat * (1 - share), beat * share], axis=1))


def continued(tap_s: FloatArray, guess_s: FloatArray) -> FloatArray:
    """The taps, and beyond them a guess at the beats (n_beats,), moved to the beat phase that was tapped.

    Whichever beat phase the sound marks more strongly, it does so all over the track: without this, the search would
    return to its own phase where the taps end.
    """
    if len(guess_s) < 2:
        return tap_s
    along = np.interp(tap_s, guess_s, np.arange(len(guess_s)), left=np.nan, right=np.nan) % 1.0
    turn = np.exp(2j * np.pi * along[np.isfinite(along)])
    between = len(turn) > 0 and turn.sum().real < 0
    follows = (guess_s[:-1] + guess_s[1:]) / 2 if between else guess_s
    beyond = follows[distance(tap_s, follows) > step_s(tap_s) / 2]
    return np.sort(np.r_[tap_s, beyond[_within_runs(beyond, tap_s) == 0]])


def _within_runs(time_s: FloatArray, tap_s: FloatArray) -> FloatArray:
    """1.0 at times within runs of taps, and half a step around them; else 0.0."""
    usual = step_s(tap_s)
    edge = np.flatnonzero(np.diff(tap_s) >= MISSED * usual)
    inside = np.zeros(len(time_s))
    for first, last in zip(np.r_[0, edge + 1], np.r_[edge, len(tap_s) - 1], strict=True):
        inside[(time_s >= tap_s[first] - usual / 2) & (time_s <= tap_s[last] + usual / 2)] = 1.0
    return inside


def counted_log_odds(
    log_odds: FloatArray, beat_s: FloatArray, settings: Settings, meters: tuple[int, ...], priors: CountPriors
) -> tuple[FloatArray, tuple[int, ...]]:
    """Log odds of a downbeat at each beat, and the meters to choose from, once counts were tapped.

    If the sound by itself counts the tapped bars differently, it isn't trusted elsewhere either: if its 1 is some beats
    off, its evidence is shifted by so many over the whole track; if its bars have another length, all bars get the
    tapped one. Then the tapped counts are set.
    """
    if not settings.taps_count:
        return log_odds, meters
    at, count = tapped_beats(beat_s, settings)
    if not len(at):
        return log_odds, meters
    meter = tapped_meter(settings.taps_count)
    if meter is not None:
        alone = best_bars(log_odds, meters, priors)
        if (alone.beats_per_bar[at] != meter).mean() > 0.5:
            meters, alone = (meter,), best_bars(log_odds, (meter,), priors)
        off = int(np.bincount((count - alone.count[at]) % meter, minlength=meter).argmax())
        log_odds = _moved(log_odds, off if off <= meter / 2 else off - meter)
    log_odds = log_odds.copy()
    log_odds[at] = np.where(count == 1, COUNT_LOG_ODDS, -COUNT_LOG_ODDS)
    return log_odds, meters


def _moved(log_odds: FloatArray, earlier: int) -> FloatArray:
    """Each beat gets the log odds of the beat so many later; the end left open gets those of a usual beat."""
    index = np.arange(len(log_odds)) + earlier
    inside = (index >= 0) & (index < len(log_odds))
    return np.where(inside, log_odds[np.clip(index, 0, len(log_odds) - 1)], np.median(log_odds))


def counted_otherwise(settings: Settings, alone: Pulse) -> str | None:
    """How the sound alone counts the tapped beats, in words; None if mostly as they were tapped."""
    if not settings.taps_count or not len(alone.time_s):
        return None
    at, count = tapped_beats(alone.time_s, settings)
    if not len(at) or (alone.count[at] == count).mean() > 0.5:
        return None
    ones = alone.count[at][count == 1]
    return f"where a 1 was tapped it has a {int(np.bincount(ones).argmax())}" if len(ones) else "it counts otherwise"


def tapped_meter(count: tuple[int, ...]) -> int | None:
    """The usual number of beats in bars that were tapped from one 1 to the next; None if there are none."""
    ones = [k for k, c in enumerate(count) if c == 1]
    lengths = [b - a for a, b in pairwise(ones) if list(count[a:b]) == list(range(1, b - a + 1))]
    return max(sorted(set(lengths)), key=lengths.count) if lengths else None


def tapped_beats(beat_s: FloatArray, settings: Settings) -> tuple[IntArray, IntArray]:
    """Which beats were tapped, and the counts they were given."""
    tap_s = np.array(settings.taps_s)
    at = nearest(beat_s, tap_s)
    near = np.abs(beat_s[at] - tap_s) < 0.5 * step_s(tap_s)
    at, first = np.unique(at[near], return_index=True)
    return at, np.array(settings.taps_count, np.int64)[near][first]


def heard_otherwise(tap_s: FloatArray, alone_s: FloatArray) -> str | None:
    """Where the sound alone has the beats that were tapped, in words; None if they agree."""
    usual = step_s(tap_s)
    inside = alone_s[(alone_s > tap_s[0] - usual / 4) & (alone_s < tap_s[-1] + usual / 4)]
    if len(inside) < 2:
        return "the sound alone has no beats there"
    near_s = max(_SAME_BEAT_S, NEAR_SHARE * usual)
    met = float((distance(inside, tap_s) < near_s).mean())
    meant = float((distance(tap_s, inside) < near_s).mean())
    if 2 * met * meant / max(met + meant, 1e-9) > 0.8:
        return None
    ratio = usual / step_s(inside)
    if abs(np.log(ratio)) < np.log(1.1):
        return "the sound alone has its beats between the taps"
    return f"the sound alone has {60 / step_s(inside):.0f} beats a minute there, the taps {60 / usual:.0f}"
