"""How well a take's hits fit a start: on the grid, on the track's own onsets, in form, in the bar, and at the ends.

Each part is a log likelihood ratio against hits that lie anywhere. Hits that share their error are damped (WITNESS);
evidence that rests on the counted beat or on the 1 counts as far as the track's analysis is sure of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.nearest import nearest
from pulsefind.core.records import Analysis, FloatArray, IntArray
from pulsefind.take.heard import RATE_HZ, Heard
from pulsefind.take.places import Slots
from pulsefind.take.records import TakeHits
from pulsefind.take.starts import CLOCK_SIGMA_PPM, SPREAD_S, WITNESS, Field

_SPREAD_RANGE_S = (0.007, 0.03)  # judged: from a very tight player to a loose one
_STRAY = 0.1  # judged: share of hits that belong to no place
_OUTSIDE, _UNCOUNTED = 0.03, 0.2
"""Likelihood of a hit outside the bars, relative to one that lies anywhere; and of one within the recording before the
first bar, since beats are often found late and seldom stop early (judged).
"""
_FIRST_ON_ONE, _LAST_IN_LAST_BAR = np.log(6.0), np.log(4.0)  # judged: odds for takes that begin and end with the song
# Measured: of 249 Groove MIDI performances in 4/4, 68 % begin on a 1 (any other beat: 6 % each) and 85 % end on a 1 or
# in
# the last beat of a bar (each eighth there 28 %, elsewhere 3 %): 10 to 1 and 9 to 1. People chose what was kept of
# those
# sessions, so half of that is counted.
_BEGINS_ON_A_ONE, _ENDS_WITH_A_BAR = np.log(5.0), np.log(5.0)
_ON_BEATS, _BACKBEAT, _KICK_ON_ONE = 4.0, 4.0, 3.0  # judged: log odds where all kicks and snares fall as usual
_ROOM_S = 0.25
"""A take whose first (last) hit is closer to its edge than this was cut within the playing (judged: nobody starts a
recorder and plays within a quarter of a second).
"""
_TOGETHER_S = 0.06  # judged: strokes this close to the song's first or last onset are played with it
_SCATTERED, _SOUND_WITNESS = 0.3, 0.3
"""The share of strokes that match nothing in the track, and what a stroke on an onset counts (judged on real takes:
strokes on a band's onsets share their error less than strokes on a counted grid).
"""


@dataclass(frozen=True, slots=True)
class Fit:
    """A start and its clock; log likelihood ratio; the same per hit on the grid and on the track's onsets."""

    starts_at_s: float
    clock_ppm: float
    score: float
    per_hit: float
    per_onset: float


def score(
    analysis: Analysis, field: Field, heard: Heard | None, hits: TakeHits, start_s: float, clock_ppm: float
) -> Fit:
    """Score one start; heard is None where the track's sound isn't at hand."""
    at_s = start_s + hits.time_s / (1 + 1e-6 * clock_ppm)
    inside = (at_s >= field.edges[0] - 0.06) & (at_s < field.edges[-1])
    n = len(at_s)
    if inside.sum() < max(4, 0.25 * n):
        return Fit(start_s, clock_ppm, -np.inf, -np.inf, -np.inf)
    index = nearest(field.slots.nominal_s, at_s[inside])
    timing = _timing(field, at_s[inside], index)
    kind = np.array(hits.kind)
    uncounted = int(np.sum(~inside & (at_s >= analysis.track.start_s) & (at_s < field.edges[0])))
    outside = n - int(inside.sum()) - uncounted
    total = WITNESS * float(timing.sum() + outside * np.log(_OUTSIDE) + uncounted * np.log(_UNCOUNTED))
    total += _form(field, index, kind[inside])
    total += _in_the_bar(analysis, field.slots, index, kind[inside])
    total += _ends(analysis, field.slots, heard, hits, at_s)
    total -= 0.5 * (clock_ppm / CLOCK_SIGMA_PPM) ** 2
    per_onset = 0.0
    if heard is not None:
        answered = _on_onsets(heard, at_s, kind)
        per_onset = float(answered.mean())
        total += _SOUND_WITNESS * float(answered.sum())
    return Fit(start_s, clock_ppm, total, float(timing.mean()), per_onset)


def _on_onsets(heard: Heard, at_s: FloatArray, kind: NDArray[np.str_]) -> FloatArray:
    """(n,) log likelihood ratio of each hit by the track's onset density, low for kicks and high for the rest.

    Hits before or after the track are as likely there as anywhere: whether they belong is decided by the ends.
    """
    frame = np.round(at_s * RATE_HZ).astype(np.int64)
    inside = (frame >= 0) & (frame < len(heard.low))
    ratio = np.zeros(len(at_s))
    if not inside.any():
        return ratio
    near = frame[inside]
    density = np.where(kind[inside] == "kick", heard.low[near], heard.high[near])
    ratio[inside] = np.log(_SCATTERED + (1 - _SCATTERED) * density)
    return ratio


def _timing(field: Field, at_s: FloatArray, index: IntArray) -> FloatArray:
    """(n,) log likelihood ratio of each hit: slots (weights and spread learned) and strays, against strays alone."""
    slots = field.slots
    beat_s = field.beat_s[slots.beat[index]]
    away_s = at_s - slots.nominal_s[index]
    phase = np.round(slots.within[index] * 12).astype(np.int64) % 12
    weight, spread_s = np.full(12, 0.25), SPREAD_S
    for _ in range(6):
        density = np.exp(-0.5 * (away_s / spread_s) ** 2) / (spread_s * np.sqrt(2 * np.pi)) * beat_s
        joint = (1 - _STRAY) * weight[phase] * density
        share = joint / (joint + _STRAY)
        total = np.bincount(phase, share, 12) + 0.05
        weight = total / total.sum()
        spread_s = float(np.sqrt(share @ away_s**2 / max(float(share.sum()), 1e-9)))
        spread_s = float(np.clip(spread_s, *_SPREAD_RANGE_S))
    ratio: FloatArray = np.log(joint + _STRAY)
    return ratio


def _form(field: Field, index: IntArray, kind: NDArray[np.str_]) -> float:
    """Log likelihood gained where the player's busy and empty places correlate with the track's."""
    n = len(field.slots.nominal_s)
    span = slice(int(index.min()), int(index.max()) + 1)
    gain = 0.0
    for track, mine in ((field.track_low, kind == "kick"), (field.track_high, kind != "kick")):
        played = np.bincount(index[mine], minlength=n)[span] > 0
        heard = track[span] > 0
        if played.std() == 0 or heard.std() == 0:
            continue
        correlation = max(0.0, float(np.corrcoef(played, heard)[0, 1]))
        gain += -0.5 * WITNESS * int(mine.sum()) * np.log(1 - min(correlation, 0.99) ** 2)
    return gain


def _in_the_bar(analysis: Analysis, slots: Slots, index: IntArray, kind: NDArray[np.str_]) -> float:
    """Log odds from where kick and snare fall (common practice, no source).

    They fall on beats rather than between them; snares on the even beats of an even bar, kicks on its 1.
    """
    on_beat = slots.within[index] == 0
    beats = analysis.bars.usual_beats
    count = np.round(slots.position_beats[index]).astype(np.int64) + 1
    sure_of_beat = max(0.0, 2 * analysis.confidence.half - 1)
    sure_of_one = analysis.confidence.one
    gain = 0.0
    strong = (kind == "snare") | (kind == "kick")
    if strong.sum() >= 8:
        gain += sure_of_beat * _ON_BEATS * float(np.mean(on_beat[strong]))
    snare = on_beat & (kind == "snare")
    if beats % 2 == 0 and analysis.bars.unit == 4 and snare.sum() >= 4:
        gain += sure_of_one * _BACKBEAT * (float(np.mean(count[snare] % 2 == 0)) - 0.5)
    kick = on_beat & (kind == "kick")
    if kick.sum() >= 4:
        gain += sure_of_one * _KICK_ON_ONE * (float(np.mean(count[kick] == 1)) - 1.0 / beats)
    return gain


def _ends(analysis: Analysis, slots: Slots, heard: Heard | None, hits: TakeHits, at_s: FloatArray) -> float:
    """Log odds from where the playing begins and ends.

    Players start with the song or on the 1 of its first full bar, and stop in the last bar or with the song's last
    onset, more often than elsewhere (common practice, no source). And they begin on a 1, and end on one or with the
    last beat of a bar. An end at which the take was cut within the playing says nothing.
    """
    recorded = hits.source == "audio"
    gain = 0.0
    if not recorded or hits.time_s[0] >= _ROOM_S:
        gain += _begins(analysis, slots, heard, float(at_s[0]))
    if not recorded or hits.duration_s - hits.time_s[-1] >= _ROOM_S:
        gain += _stops(analysis, slots, heard, float(at_s[-1]))
    return gain


def _begins(analysis: Analysis, slots: Slots, heard: Heard | None, at_s: float) -> float:
    slot = int(nearest(slots.nominal_s, np.array([at_s]))[0])
    gain = 0.0
    if slots.within[slot] == 0 and slots.position_beats[slot] == 0:
        gain += analysis.confidence.one * float(_BEGINS_ON_A_ONE)
    full = np.flatnonzero(analysis.bars.number >= 1)
    beat_s = float(np.median(np.diff(analysis.beats.time_s)))
    with_first_bar = len(full) and abs(at_s - float(analysis.bars.start_s[full[0]])) < 0.3 * beat_s
    if with_first_bar or (heard is not None and abs(at_s - heard.first_s) < _TOGETHER_S):
        gain += float(_FIRST_ON_ONE)
    return gain


def _stops(analysis: Analysis, slots: Slots, heard: Heard | None, at_s: float) -> float:
    slot = int(nearest(slots.nominal_s, np.array([at_s]))[0])
    gain = 0.0
    on_one = slots.within[slot] == 0 and slots.position_beats[slot] == 0
    if on_one or slots.position_beats[slot] >= analysis.bars.beats_per_bar[slots.bar[slot]] - 1:
        gain += analysis.confidence.one * float(_ENDS_WITH_A_BAR)
    last = int(analysis.bars.first_beat[-1])
    in_last_bar = analysis.beats.time_s[last] - 0.06 <= at_s <= analysis.bars.end_s
    if in_last_bar or (heard is not None and abs(at_s - heard.last_s) < _TOGETHER_S):
        gain += float(_LAST_IN_LAST_BAR)
    return gain
