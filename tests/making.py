"""Records and sounds with a known truth, for the tests."""

import numpy as np

from pulsefind.beats.bars import lay_bars
from pulsefind.core.records import Bars, Beats, Hits, Pulse, Sound

RATE_HZ = 44100
PLAIN = Sound(8000.0, 50.0, 0.3)


def pulse(n_beats, bpm=120.0, meter=4, first_count=1, start_s=1.0, unit=4, time_s=None):
    """An even pulse, or one with given beat times."""
    times = start_s + np.arange(n_beats) * 60.0 / bpm if time_s is None else np.asarray(time_s)
    count = (np.arange(len(times)) + first_count - 1) % meter + 1
    return Pulse(times, count, np.full(len(times), meter), unit, 0.9, 0.9, 0.9)


def beats_of(a_pulse: Pulse) -> Beats:
    n = len(a_pulse.time_s)
    return Beats(a_pulse.time_s, np.ones(n), np.zeros(n, bool))


def bars_of(a_pulse: Pulse) -> Bars:
    return lay_bars(a_pulse, beats_of(a_pulse))


def hits_at(*groups, level_db=20.0, sounds=None) -> Hits:
    """Hits of one sound for each group of times."""
    time_s = np.concatenate([np.asarray(g, float) for g in groups])
    sound = np.concatenate([np.full(len(g), k) for k, g in enumerate(groups)])
    order = np.argsort(time_s, kind="stable")
    n = len(time_s)
    sounds = sounds or tuple(Sound(8000.0 / 4**k, 50.0, 0.3) for k in range(len(groups)))
    return Hits(time_s[order], sound[order], np.ones(n), np.full(n, level_db), np.zeros((n, 0)), (), sounds)


def at_places(a_pulse: Pulse, positions, bars=None, meter=4):
    """Times of places, given in beats from the 1, in every full bar (or the bars named, counted from 0)."""
    ones = np.flatnonzero(a_pulse.count == 1)
    edge = np.r_[a_pulse.time_s, 2 * a_pulse.time_s[-1] - a_pulse.time_s[-2]]
    found = []
    for bar, one in enumerate(ones):
        if one + meter >= len(edge) or (bars is not None and bar not in bars):
            continue
        found += [float(np.interp(one + p, np.arange(len(edge)), edge)) for p in positions]
    return np.array(found)


def noise_burst(rng, low_hz, high_hz, length_s, decay_s):
    from scipy.signal import butter, sosfilt

    t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    band = butter(4, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    sound = sosfilt(band, rng.standard_normal(len(t))) * np.exp(-t / decay_s)
    return sound / np.abs(sound).max()


def drum(hz, length_s=0.25, decay_s=0.06):
    t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    return np.sin(2 * np.pi * hz * t) * np.exp(-t / decay_s)


def render(length_s, *parts):
    """Mix (times, sound, level) parts; each sound starts at the sample nearest to its time."""
    out = np.zeros(int(length_s * RATE_HZ))
    for times, sound, level in parts:
        for t in times:
            first = round(t * RATE_HZ)
            last = min(len(out), first + len(sound))
            out[first:last] += level * sound[: last - first]
    return out
