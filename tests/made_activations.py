"""Activations of made songs with a known truth: what a good network would hear, so that the decoder alone is tested."""

from dataclasses import dataclass

import numpy as np

from pulsefind.core.records import Activations, Harmony
from pulsefind.listen.activations import downbeat_log_odds, phase_log_odds

RATE_HZ = 100
NO_HARMONY = Harmony(np.zeros((0, 24)), 20.0)
START_S = 1.0


@dataclass(frozen=True)
class Truth:
    """time_s and count (n_beats,) of a made song, its meters beat by beat, and the bars' first beats."""

    time_s: np.ndarray
    count: np.ndarray
    beats_per_bar: np.ndarray


def song(*parts):
    """Bars one after the other: each part is (meter, number of bars, bpm), bpm one number or one for each beat."""
    interval, count, meters = [], [], []
    for meter, n_bars, bpm in parts:
        n = meter * n_bars
        interval.append(60.0 / np.broadcast_to(np.asarray(bpm, float), n))
        count.append(np.tile(np.arange(1, meter + 1), n_bars))
        meters.append(np.full(n, meter))
    step = np.concatenate(interval)
    return Truth(START_S + np.r_[0.0, np.cumsum(step)[:-1]], np.concatenate(count), np.concatenate(meters))


def values_of(time_s, count, length_s, strength=0.9, noise=0.01, seed=0):
    """Peaks of three frames at beats: first column for counts above 1, second for the 1; strength one or one each."""
    values = np.random.default_rng(seed).uniform(0, noise, (int(length_s * RATE_HZ), 2))
    for t, c, level in zip(time_s, count, np.broadcast_to(strength, len(time_s)), strict=True):
        frame, column = round(t * RATE_HZ), 1 if c == 1 else 0
        for k, share in ((-1, 0.4), (0, 1.0), (1, 0.4)):
            if 0 <= frame + k < len(values):
                values[frame + k, column] = max(values[frame + k, column], level * share)
    return np.clip(values, 0, 0.99)


def activations(values):
    """Activations of one network that heard these values (n, 2)."""
    return Activations(values, downbeat_log_odds(values), phase_log_odds(values), RATE_HZ)


def heard(truth, **how):
    """What a network hears in the song."""
    return activations(values_of(truth.time_s, truth.count, truth.time_s[-1] + 1.0, **how))


def found(truth, pulse, within_s=0.07):
    """Share of the song's beats that are there, and of those found that are the song's: the lower one (0..1)."""
    away = np.abs(truth.time_s[:, None] - pulse.time_s[None, :])
    return float(min((away.min(axis=1) < within_s).mean(), (away.min(axis=0) < within_s).mean()))


def ones_found(truth, pulse, within_s=0.07):
    """The same of the 1s."""
    of_song, of_pulse = truth.time_s[truth.count == 1], pulse.time_s[pulse.count == 1]
    away = np.abs(of_song[:, None] - of_pulse[None, :])
    return float(min((away.min(axis=1) < within_s).mean(), (away.min(axis=0) < within_s).mean()))
