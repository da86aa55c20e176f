"""Laying a take on its track: where it starts, and how fast its clock runs.

1. By the leak, where the track is heard in the take (leak).
2. Otherwise by the hits: every start at which they fall on the grid or meet the track's onsets (starts) is scored by
   everything that is heard (likelihood) and by how takes come about (origins), and Bayes' rule chooses. Whatever stays
   ambiguous is shown, not guessed.
3. `--starts-at` overrules both.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.nearest import nearest
from pulsefind.core.records import Analysis, Audio
from pulsefind.take.departures import departures_of
from pulsefind.take.heard import hear
from pulsefind.take.leak import Leak, find_leak
from pulsefind.take.likelihood import Fit, Listened, score
from pulsefind.take.origins import RESOLUTION_S, SAME_LENGTH_S, SAME_SAMPLES_S, exact_starts, log_lag, log_prior
from pulsefind.take.own_song import own_song
from pulsefind.take.records import Alignment, StartCandidate, TakeHits
from pulsefind.take.starts import Field, field_of, grid_starts, heard_starts, refine

SURE, SURE_OF_CUT, SURE_OF_NOTES = 0.97, 0.99, 0.95
"""A start is taken from this likelihood on, else candidates are shown: that of a recording; one that assumes take and
track were cut together although their lengths differ, since the share of such takes is judged; and that of notes. On 48
made songs that nothing was fitted to all 164 starts above 0.99 were right, and 33 of 35 between 0.97 and it.
"""

FITS = 0.12
"""Mean log likelihood ratio per hit, grid against hits scattered at random, below which nothing fits (judged)."""

_MOST_REFINED = 80  # judged: starts that are refined, the best first
_WORTH_SHOWING = 0.002  # judged: of the likeliest start's probability, below which a candidate isn't shown
_FEWEST_HITS, _FEWEST_SLOTS = 8, 8  # judged: with fewer nothing can be laid on anything
_NEAR_HALF = 0.15  # judged: of a beat, a little more than a loose player's spread and a clock together
_LAG_REACH_S = 0.08  # judged: how far from an exact start the playing may lie, by latency or by a grid that is off


def align(
    analysis: Analysis,
    hits: TakeHits,
    track_audio: Audio | None,
    take_audio: Audio | None,
    starts_at_s: float | None,
    latency_ms: float | None,
) -> Alignment:
    """Lay a take on its track.

    starts_at_s is the track time at which the recording was started, where known, and latency_ms what the recording
    chain adds; without --starts-at or a leak, a constant latency can't be told from playing early or late.
    """
    leak = find_leak(track_audio, take_audio) if track_audio is not None and take_audio is not None else None
    field = field_of(analysis)
    if starts_at_s is not None:
        return _as_given(field, hits, starts_at_s, latency_ms, leak)
    if leak is not None:
        return _by_leak(field, hits, leak)
    return _by_hits(analysis, field, hits, track_audio)


def _as_given(
    field: Field, hits: TakeHits, starts_at_s: float, latency_ms: float | None, leak: Leak | None
) -> Alignment:
    if leak is not None:
        # The leak went through the same chain as the drums, so it gives the true start; the difference is latency.
        found_ms = 1000 * (starts_at_s - leak.starts_at_s)
        candidate = _candidate(field, hits, leak.starts_at_s, leak.clock_ppm, 1.0)
        return Alignment(
            "leak", leak.starts_at_s, leak.clock_ppm, True, True, (candidate,), found_ms, "the track is heard in it"
        )
    start_s = starts_at_s - (latency_ms or 0.0) / 1000
    _, clock_ppm = refine(field, hits, start_s, 0.0)
    candidate = _candidate(field, hits, start_s, clock_ppm, 1.0)
    return Alignment("given", start_s, clock_ppm, True, True, (candidate,), latency_ms, "--starts-at")


def _by_leak(field: Field, hits: TakeHits, leak: Leak) -> Alignment:
    starts = [(leak.starts_at_s, leak.clock_ppm), *((start, leak.clock_ppm) for start in leak.rivals)]
    chosen = len(starts) == 1
    candidates = tuple(
        _candidate(field, hits, start, clock, 1.0 if chosen else 1.0 / len(starts)) for start, clock in starts
    )
    reason = "the track is heard in it" if chosen else "the track is heard in it, but repeats itself to the sample"
    return Alignment("leak", *starts[0], chosen, True, candidates, None, reason)


def _by_hits(analysis: Analysis, field: Field, hits: TakeHits, track_audio: Audio | None) -> Alignment:
    listened = _listened(analysis, hits, track_audio)
    fits = _fits(analysis, field, listened, hits)
    recorded = hits.source == "audio" and track_audio is not None
    track_s = analysis.track.duration_s
    same_length = recorded and abs(hits.duration_s - track_s) <= SAME_LENGTH_S
    if not fits or not (same_length or _follows(fits, recorded)):
        reason = "the hits don't follow the beats of this track anywhere: another song, or not played to it"
        return Alignment("none", 0.0, 0.0, False, False, (), None, reason)
    rows = [(fit, fit.score) for fit in fits]
    if recorded:
        rows = _with_origins(analysis, field, listened, hits, fits)
    total = np.array([value for _, value in rows])
    share = np.exp(total - total.max())
    share /= share.sum()
    shown = [k for k in np.argsort(-share) if share[k] >= _WORTH_SHOWING * share.max()]
    ours = 1.0
    if recorded:
        same_samples = abs(hits.duration_s - track_s) <= SAME_SAMPLES_S
        ours = own_song(_near(rows[shown[0]][0], fits), same_samples)
    candidates = tuple(
        _candidate(field, hits, rows[k][0].starts_at_s, rows[k][0].clock_ppm, ours * float(share[k])) for k in shown
    )
    best = candidates[0]
    exact = recorded and best.starts_at_s in exact_starts(hits.duration_s, track_s)
    # A start that counted beats decided is no surer than they are: half a beat off, they pull it along.
    by_counts = not same_length and (not exact or _half_a_beat_apart(analysis, abs(track_s - hits.duration_s)))
    counted = float(share[shown[0]]) * (analysis.confidence.half if by_counts else 1.0)
    least = SURE_OF_NOTES if not recorded else SURE_OF_CUT if exact and not same_length else SURE
    likely = counted >= least
    chosen = likely and (not recorded or ours >= SURE)
    reason = "several starts fit the hits about equally well"
    if chosen:
        reason = "best fit of the hits to bars and form"
    elif likely:
        reason = "the hits don't follow the track clearly enough to say that it is this song"
    if exact and chosen:
        reason = "as long as the track, so it starts with it" if same_length else "cut together with the track"
    return Alignment("hits", best.starts_at_s, best.clock_ppm, chosen, exact and chosen, candidates, None, reason)


def _near(start: Fit, fits: list[Fit]) -> Fit:
    """Where the playing lies: the best fit within reach of a start, which may be off by latency or by the grid."""
    near = [fit for fit in fits if abs(fit.starts_at_s - start.starts_at_s) <= _LAG_REACH_S]
    return max([start, *near], key=lambda fit: fit.score)


def _half_a_beat_apart(analysis: Analysis, apart_s: float) -> bool:
    """Do two starts this far apart differ by an odd number of half beats, so that counts half a beat off would swap
    them?
    """
    beats = apart_s / float(np.median(np.diff(analysis.beats.time_s)))
    return abs(beats % 1.0 - 0.5) <= _NEAR_HALF


def _listened(analysis: Analysis, hits: TakeHits, track_audio: Audio | None) -> Listened | None:
    if track_audio is None or not len(hits.time_s) or not len(analysis.bars.beats):
        return None
    heard = hear(track_audio)
    return Listened(heard, departures_of(analysis, heard, hits)) if len(heard.low) else None


def _follows(fits: list[Fit], recorded: bool) -> bool:
    """Do the hits follow the track at all, on its grid or by everything that was heard?"""
    best = max(fits, key=lambda fit: fit.against_chance)
    return best.per_hit >= FITS or (recorded and best.against_chance > 0)


def _with_origins(
    analysis: Analysis, field: Field, listened: Listened | None, hits: TakeHits, fits: list[Fit]
) -> list[tuple[Fit, float]]:
    """The fits, and the starts that a take cut together with the track would have, with log posteriors up to a
    constant.
    """
    take_s, track_s = hits.duration_s, analysis.track.duration_s
    exact_s = exact_starts(take_s, track_s)
    # A fit as good as on an exact start is that start.
    others = [fit for fit in fits if all(abs(fit.starts_at_s - s) > RESOLUTION_S for s in exact_s)]
    rows = [(fit, fit.score + log_prior(fit.starts_at_s, False, take_s, track_s)) for fit in others]
    for start_s in exact_s:
        exact = score(analysis, field, listened, hits, start_s, 0.0)
        # The playing lies where the best fit nearby puts it: off the start by latency, or by a grid that is off.
        near = [
            fit.score + log_lag(fit.starts_at_s - start_s)
            for fit in fits
            if abs(fit.starts_at_s - start_s) <= _LAG_REACH_S
        ]
        rows.append((exact, max([exact.score, *near]) + log_prior(start_s, True, take_s, track_s)))
    return rows


def _candidate(field: Field, hits: TakeHits, start_s: float, clock_ppm: float, share: float) -> StartCandidate:
    first_bar = 0
    if len(hits.time_s) and len(field.slots.nominal_s):
        first_s = start_s + float(hits.time_s[0]) / (1 + 1e-6 * clock_ppm)
        first_bar = int(field.slots.bar[nearest(field.slots.nominal_s, np.array([first_s]))[0]])
    return StartCandidate(start_s, clock_ppm, first_bar, share)


def _fits(analysis: Analysis, field: Field, listened: Listened | None, hits: TakeHits) -> list[Fit]:
    """Ways to lay the hits on the track with their scores, the best first; starts less than half a slot apart only
    once.
    """
    if len(hits.time_s) < _FEWEST_HITS or len(field.slots.nominal_s) < _FEWEST_SLOTS:
        return []
    starts = grid_starts(field, hits) + (heard_starts(listened.heard, hits) if listened is not None else [])
    rough = sorted((score(analysis, field, listened, hits, s, c) for s, c in starts), key=lambda fit: -fit.score)
    found: list[Fit] = []
    apart_s = 0.4 * float(np.median(field.slots.spacing_s))
    for fit in rough:
        if len(found) >= _MOST_REFINED:
            break
        refined = refine(field, hits, fit.starts_at_s, fit.clock_ppm)
        better = score(analysis, field, listened, hits, *refined)
        if listened is not None:
            # A grid that is off pulls the hits away from the onsets that they were played to.
            better = max(fit, better, key=lambda fit: fit.score)
        if all(abs(better.starts_at_s - other.starts_at_s) > apart_s for other in found):
            found.append(better)
    return sorted(found, key=lambda fit: -fit.score)
