"""A made song as sound: kick, snare, hat and a bass that moves with the bars, played where its truth says."""

import numpy as np
from making import RATE_HZ, drum, noise_burst, render

from pulsefind.listen.audio import from_samples

KICK = {2: (1,), 3: (1,), 4: (1, 3), 5: (1, 4), 6: (1,), 7: (1, 5)}
SNARE = {2: (2,), 3: (2, 3), 4: (2, 4), 5: (3, 5), 6: (4,), 7: (3, 7)}
"""Plain patterns: the back beat in four, boom-chick-chick in three, 6/8 in two, 5/4 as 3 + 2, 7/8 as 2 + 2 + 3 (common
practice, no source)."""

ROOTS_HZ = (55.0, 73.4, 82.4, 65.4)


def sound_of(truth, swing=0.5, silent=(), half_time=(), double_time=(), hat_between=True):
    """The song as Audio; swing is where between two beats the hat falls; silent, half_time, double_time: bars."""
    rng = np.random.default_rng(1)
    bar = np.cumsum(truth.count == 1) - 1
    step = np.diff(truth.time_s, append=2 * truth.time_s[-1] - truth.time_s[-2])
    heard = ~np.isin(bar, silent)
    half, double = np.isin(bar, half_time), np.isin(bar, double_time)
    kick = np.array([c in KICK[m] for c, m in zip(truth.count, truth.beats_per_bar, strict=True)])
    snare = np.array([c in SNARE[m] for c, m in zip(truth.count, truth.beats_per_bar, strict=True)])
    kick, snare = np.where(half, truth.count == 1, kick), np.where(half, truth.count == 3, snare)
    between = truth.time_s + swing * step
    hats = np.r_[truth.time_s[heard], between[heard] if hat_between else []]
    kicks = np.r_[truth.time_s[heard & kick & ~double], truth.time_s[heard & double]]
    snares = np.r_[truth.time_s[heard & snare & ~double], between[heard & double]]
    parts = [
        (kicks, drum(60.0), 0.6),
        (snares, noise_burst(rng, 200, 8000, 0.2, 0.06), 0.4),
        (hats, noise_burst(rng, 7000, 15000, 0.06, 0.02), 0.15),
    ]
    for k in np.unique(bar[heard]):
        first = int(np.flatnonzero(bar == k)[0])
        length_s = truth.time_s[min(first + int(truth.beats_per_bar[first]), len(truth.time_s) - 1)]
        length_s = max(length_s - truth.time_s[first], 0.3)
        parts.append((truth.time_s[first : first + 1], bass(ROOTS_HZ[k % len(ROOTS_HZ)], length_s), 0.2))
    samples = render(truth.time_s[-1] + 1.5, *parts)
    return from_samples((0.7 * samples / np.abs(samples).max()).astype(np.float32), RATE_HZ)


def bass(hz, length_s):
    t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    return sum(np.sin(2 * np.pi * hz * k * t) / k for k in (1, 2, 3)) * np.exp(-t / 0.8) * np.minimum(1, t / 0.01)
