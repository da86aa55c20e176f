"""Bars from counted beats, and the tempo over them."""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import FEWEST_FOR_TEMPO, Bars, Beats, FloatArray, Pulse, Tempo

_SMOOTH_BEATS = 8  # two bars of four: judged, slow enough not to follow single beats


def lay_bars(pulse: Pulse, beats: Beats) -> Bars:
    """Cut the beats into bars at every count of 1. Beats before the first 1 form a pickup. No beats give no bars."""
    starts = np.flatnonzero(pulse.count == 1)
    if len(beats.time_s) and (not len(starts) or starts[0] != 0):
        starts = np.r_[0, starts]
    n_beats = np.diff(np.r_[starts, len(pulse.count)])
    has_pickup = len(pulse.count) > 0 and pulse.count[0] > 1
    end_s = 0.0
    if len(beats.time_s):
        end_s = float(beats.time_s[-1] + (np.median(np.diff(beats.time_s)[-8:]) if len(beats.time_s) > 1 else 0.0))
    return Bars(
        first_beat=starts,
        beats=n_beats,
        beats_per_bar=pulse.beats_per_bar[starts],
        start_s=beats.time_s[starts],
        number=np.arange(len(starts)) + (0 if has_pickup else 1),
        count=pulse.count,
        end_s=end_s,
        unit=pulse.unit,
        beat_quarters=pulse.beat_quarters[starts] if len(pulse.beat_quarters) else pulse.beat_quarters,
    )


def tempo_of(beats: Beats, bars: Bars) -> Tempo:
    """Tempo of the counted beats: median, bar by bar, slow drift, and the jitter of single beats.

    Where bars count different note values, it is the tempo of the one that fills most of the song.
    """
    if len(beats.time_s) < FEWEST_FOR_TEMPO:
        return Tempo(0.0, np.zeros(len(bars.beats)), 0.0, 0.0)
    length = _in_units(bars)
    interval = np.diff(beats.time_s) / np.repeat(length, bars.beats)[:-1]
    bar_bpm = 60.0 * bars.beats * length / np.maximum(bars.ends_s - bars.start_s, 1e-6)
    smooth = _running_mean(interval, _SMOOTH_BEATS)
    low, high = np.percentile(60.0 / smooth, [5, 95])
    bpm = float(np.median(60.0 / interval))
    return Tempo(bpm, bar_bpm, float(100 * (high - low) / bpm), float(1000 * np.std(interval - smooth) / np.sqrt(2)))


def _in_units(bars: Bars) -> FloatArray:
    """(n_bars,) the written length of each bar's beat, in units of the beat that most of the song counts."""
    if not len(bars.beat_quarters):
        return np.ones(len(bars.beats))
    values, which = np.unique(bars.beat_quarters, return_inverse=True)
    lasting = np.bincount(which, weights=bars.beats * bars.beat_quarters)
    length: FloatArray = bars.beat_quarters / values[int(np.argmax(lasting))]
    return length


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Centred mean over width values, over fewer at the ends."""
    total = np.r_[0.0, np.cumsum(values)]
    index = np.arange(len(values))
    low = np.maximum(0, index - width // 2)
    high = np.minimum(len(values), index + width // 2 + 1)
    mean: FloatArray = (total[high] - total[low]) / (high - low)
    return mean
