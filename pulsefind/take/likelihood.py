"""How well a take's hits fit a start: on the grid, on the track's own onsets, in form, in the bar, and at the ends.

Each part is a log likelihood ratio against hits that lie anywhere. Hits that share their error are damped (WITNESS);
evidence that rests on the counted beat or on the 1 counts as far as the track's analysis is sure of them. The parts are
no independent witnesses either: for takes as sound, what each counts beside the others is fitted (RECORDED).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.nearest import nearest
from pulsefind.core.records import Analysis, FloatArray, IntArray
from pulsefind.take.departures import Departures
from pulsefind.take.heard import RATE_HZ, SCATTERED, Heard
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
_SOUND_WITNESS = 0.3
"""What a stroke on an onset counts against chance (judged on real takes: strokes on a band's onsets share their error
less than strokes on a counted grid).
"""

RECORDED = {
    "timing": 0.15,
    "outside": 0.6,
    "uncounted": 1.2,
    "low form": 1.0,
    "high form": 0.36,
    "on beats": 1.0,
    "backbeat": 0.88,
    "kick on one": 1.74,
    "begins on a 1": 1.1,
    "begins with the song": 1.5,
    "ends with a bar": 0.3,
    "ends with the song": 0.46,
    "clock": 1.06,
    "low onsets": 0.07,
    "high onsets": 0.023,
    "low departures": 0.07,
    "high departures": 0.12,
}
"""What each part counts where take and track are recordings: fitted by conditional logistic regression to the true
starts of 658 takes of 94 made songs (eval/take/NOTES.md). Where the track's sound or the take's isn't at hand every
part counts in full.
"""


@dataclass(frozen=True, slots=True)
class Listened:
    """What was heard of the track, and where track and take depart from their own patterns."""

    heard: Heard
    departures: Departures


@dataclass(frozen=True, slots=True)
class Fit:
    """A start and its clock; score: log likelihood ratio against other starts; against_chance: the same against hits
    that lie anywhere; per_hit: that of each hit on the grid; on_onsets: that of all hits on the track's onsets.
    """

    starts_at_s: float
    clock_ppm: float
    score: float
    against_chance: float
    per_hit: float
    on_onsets: float


def score(
    analysis: Analysis, field: Field, listened: Listened | None, hits: TakeHits, start_s: float, clock_ppm: float
) -> Fit:
    """Score one start; listened is None where the track's sound isn't at hand."""
    at_s = start_s + hits.time_s / (1 + 1e-6 * clock_ppm)
    inside = (at_s >= field.edges[0] - 0.06) & (at_s < field.edges[-1])
    n = len(at_s)
    if inside.sum() < max(4, 0.25 * n):
        return Fit(start_s, clock_ppm, -np.inf, -np.inf, -np.inf, 0.0)
    index = nearest(field.slots.nominal_s, at_s[inside])
    timing = _timing(field, at_s[inside], index)
    kind = np.array(hits.kind)
    uncounted = int(np.sum(~inside & (at_s >= analysis.track.start_s) & (at_s < field.edges[0])))
    outside = n - int(inside.sum()) - uncounted
    parts = {
        "timing": WITNESS * float(timing.sum()),
        "outside": WITNESS * outside * float(np.log(_OUTSIDE)),
        "uncounted": WITNESS * uncounted * float(np.log(_UNCOUNTED)),
        **_form(field, index, kind[inside]),
        **_in_the_bar(analysis, field.slots, index, kind[inside]),
        **_ends(analysis, field.slots, None if listened is None else listened.heard, hits, at_s),
        "clock": -0.5 * (clock_ppm / CLOCK_SIGMA_PPM) ** 2,
    }
    on_onsets = 0.0
    if listened is not None:
        kick = kind == "kick"
        answered = _SOUND_WITNESS * _on_onsets(listened.heard, at_s, kind)
        parts |= {"low onsets": float(answered[kick].sum()), "high onsets": float(answered[~kick].sum())}
        on_onsets = float(answered.sum())
    total = sum(parts.values())
    if listened is None or hits.source != "audio":
        return Fit(start_s, clock_ppm, total, total, float(timing.mean()), on_onsets)
    parts["low departures"], parts["high departures"] = listened.departures.agreeing(at_s, kick)
    weighed = sum(RECORDED[name] * value for name, value in parts.items())
    return Fit(start_s, clock_ppm, weighed, total, float(timing.mean()), on_onsets)


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
    ratio[inside] = np.log(SCATTERED + (1 - SCATTERED) * density)
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


def _form(field: Field, index: IntArray, kind: NDArray[np.str_]) -> dict[str, float]:
    """Log likelihood gained where the player's busy and empty places correlate with the track's."""
    n = len(field.slots.nominal_s)
    span = slice(int(index.min()), int(index.max()) + 1)
    gain: dict[str, float] = {}
    for name, track, mine in (
        ("low form", field.track_low, kind == "kick"),
        ("high form", field.track_high, kind != "kick"),
    ):
        played = np.bincount(index[mine], minlength=n)[span] > 0
        heard = track[span] > 0
        if played.std() == 0 or heard.std() == 0:
            continue
        correlation = max(0.0, float(np.corrcoef(played, heard)[0, 1]))
        gain[name] = -0.5 * WITNESS * int(mine.sum()) * float(np.log(1 - min(correlation, 0.99) ** 2))
    return gain


def _in_the_bar(analysis: Analysis, slots: Slots, index: IntArray, kind: NDArray[np.str_]) -> dict[str, float]:
    """Log odds from where kick and snare fall (common practice, no source).

    They fall on beats rather than between them; snares on the even beats of an even bar, kicks on its 1.
    """
    on_beat = slots.within[index] == 0
    beats = analysis.bars.usual_beats
    count = np.round(slots.position_beats[index]).astype(np.int64) + 1
    sure_of_beat = max(0.0, 2 * analysis.confidence.half - 1)
    sure_of_one = analysis.confidence.one
    gain: dict[str, float] = {}
    strong = (kind == "snare") | (kind == "kick")
    if strong.sum() >= 8:
        gain["on beats"] = sure_of_beat * _ON_BEATS * float(np.mean(on_beat[strong]))
    snare = on_beat & (kind == "snare")
    if beats % 2 == 0 and analysis.bars.unit == 4 and snare.sum() >= 4:
        gain["backbeat"] = sure_of_one * _BACKBEAT * (float(np.mean(count[snare] % 2 == 0)) - 0.5)
    kick = on_beat & (kind == "kick")
    if kick.sum() >= 4:
        gain["kick on one"] = sure_of_one * _KICK_ON_ONE * (float(np.mean(count[kick] == 1)) - 1.0 / beats)
    return gain


def _ends(analysis: Analysis, slots: Slots, heard: Heard | None, hits: TakeHits, at_s: FloatArray) -> dict[str, float]:
    """Log odds from where the playing begins and ends.

    Players start with the song or on the 1 of its first full bar, and stop in the last bar or with the song's last
    onset, more often than elsewhere (common practice, no source). And they begin on a 1, and end on one or with the
    last beat of a bar. An end at which the take was cut within the playing says nothing.
    """
    recorded = hits.source == "audio"
    gain: dict[str, float] = {}
    if not recorded or hits.time_s[0] >= _ROOM_S:
        gain |= _begins(analysis, slots, heard, float(at_s[0]))
    if not recorded or hits.duration_s - hits.time_s[-1] >= _ROOM_S:
        gain |= _stops(analysis, slots, heard, float(at_s[-1]))
    return gain


def _begins(analysis: Analysis, slots: Slots, heard: Heard | None, at_s: float) -> dict[str, float]:
    slot = int(nearest(slots.nominal_s, np.array([at_s]))[0])
    gain: dict[str, float] = {}
    if slots.within[slot] == 0 and slots.position_beats[slot] == 0:
        gain["begins on a 1"] = analysis.confidence.one * float(_BEGINS_ON_A_ONE)
    full = np.flatnonzero(analysis.bars.number >= 1)
    beat_s = float(np.median(np.diff(analysis.beats.time_s)))
    with_first_bar = len(full) and abs(at_s - float(analysis.bars.start_s[full[0]])) < 0.3 * beat_s
    if with_first_bar or (heard is not None and abs(at_s - heard.first_s) < _TOGETHER_S):
        gain["begins with the song"] = float(_FIRST_ON_ONE)
    return gain


def _stops(analysis: Analysis, slots: Slots, heard: Heard | None, at_s: float) -> dict[str, float]:
    slot = int(nearest(slots.nominal_s, np.array([at_s]))[0])
    gain: dict[str, float] = {}
    on_one = slots.within[slot] == 0 and slots.position_beats[slot] == 0
    if on_one or slots.position_beats[slot] >= analysis.bars.beats_per_bar[slots.bar[slot]] - 1:
        gain["ends with a bar"] = analysis.confidence.one * float(_ENDS_WITH_A_BAR)
    last = int(analysis.bars.first_beat[-1])
    in_last_bar = analysis.beats.time_s[last] - 0.06 <= at_s <= analysis.bars.end_s
    if in_last_bar or (heard is not None and abs(at_s - heard.last_s) < _TOGETHER_S):
        gain["ends with the song"] = float(_LAST_IN_LAST_BAR)
    return gain
