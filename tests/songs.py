"""Analyses of made-up tracks with a known truth, and sounds to go with them, for practice audio and formats."""

import numpy as np
import soundfile
from scipy.fft import next_fast_len
from scipy.signal import find_peaks, hilbert

from pulsefind.beats.bars import lay_bars, tempo_of
from pulsefind.core.records import (
    Analysis,
    Beats,
    Confidence,
    Grid,
    GridSection,
    Guide,
    GuideHits,
    Place,
    Pulse,
    Settings,
    Sound,
    Stretch,
    Track,
)
from pulsefind.guides.finding import alone_stretches
from pulsefind.guides.plan import plan_for

RATE_HZ = 44100


def counted(meters, pickup=0, unit=4):
    """Counts and beats per bar of bars with these meters, after a pickup of so many beats."""
    count = list(range(meters[0] - pickup + 1, meters[0] + 1)) + [k for m in meters for k in range(1, m + 1)]
    return np.array(count), np.array([meters[0]] * pickup + [m for m in meters for _ in range(m)])


def analysis(
    meters=(4,) * 8,
    bpm=60.0,
    start_s=1.0,
    pickup=0,
    unit=4,
    drift=0.0,
    slots=4,
    swing=1.0,
    guide=(),
    pattern_bars=1,
    meter=None,
    name="song.wav",
    jitter_s=0.0,
    seed=0,
):
    """An analysis whose tempo drifts by a share of itself; guide is pairs of label and bar of the pattern."""
    count, per_bar = counted(list(meters), pickup, unit)
    n = len(count)
    period = 60.0 / (bpm * (1 + drift * np.sin(np.linspace(0, 5, n))))
    time_s = start_s + np.r_[0.0, np.cumsum(period)[:-1]]
    time_s = time_s + np.random.default_rng(seed).uniform(-jitter_s, jitter_s, n) * (np.arange(n) > 0)
    pulse = Pulse(time_s, count, per_bar, unit, 0.9, 0.8, 0.7)
    return of_pulse(pulse, slots, swing, guide, pattern_bars, meter, name)


def of_pulse(pulse, slots=4, swing=1.0, guide=(), pattern_bars=1, meter=None, name="song.wav"):
    beats = Beats(pulse.time_s, np.full(len(pulse.time_s), 0.5), np.zeros(len(pulse.time_s), bool))
    bars = lay_bars(pulse, beats)
    guides = (_guide(bars, guide, pattern_bars),) if guide else ()
    grid = Grid((GridSection(0, len(bars.beats) - 1, slots, swing),) if len(bars.beats) else ())
    length = bars.end_s + 1.0
    return Analysis(
        track=Track(name, length, 0.0, length, 1, RATE_HZ, "0" * 64),
        beats=beats,
        bars=bars,
        grid=grid,
        tempo=tempo_of(beats, bars),
        guides=guides,
        alone=alone_stretches(guides, bars),
        plan=plan_for(guides, bars),
        misreadings=(),
        confidence=Confidence(0.9, 0.8, 0.7),
        alternatives=(),
        settings=Settings(meter=meter),
    )


def _beats_from_one(label):
    """By the trade's counts, on a straight grid."""
    digits = "".join(c for c in label if c.isdigit())
    within = {"": 0, "e": 1 / 4, "&": 1 / 2, "a": 3 / 4, "trip": 1 / 3, "let": 2 / 3, "ta": 1 / 6, "da": 5 / 6}
    return int(digits) - 1 + within[label[len(digits) :]]


def _guide(bars, labels, pattern_bars):
    last = max(1, len(bars.beats) - 3)
    sound = Sound(8000.0, 40.0, 0.5)
    places = tuple(Place(label, bar, _beats_from_one(label), 1.0, 0.0, 0.0) for label, bar in labels)
    inside = np.arange(1, last)
    hits = GuideHits(bars.start_s[inside], inside, tuple("1" for _ in inside), np.ones(len(inside), bool))
    stretch = Stretch(1, last, float(bars.start_s[1]), float(bars.start_s[last + 1]))
    return Guide("bright tick", sound, pattern_bars, places, hits, (stretch,), 10.0, 1, 1, 1, 1, 1)


def random_analysis(seed):
    """Drift, a pickup, a change of meter: one of many."""
    rng = np.random.default_rng(seed)
    unit = int(rng.choice([4, 4, 8]))
    choices = [2, 3, 4, 5, 7] if unit == 4 else [5, 6, 7]
    first, second = (int(m) for m in rng.choice(choices, 2))
    meters = [first] * int(rng.integers(3, 6)) + [second] * int(rng.integers(3, 6))
    return analysis(
        meters,
        bpm=float(rng.uniform(70, 180)) * (1.6 if unit == 8 else 1),
        start_s=float(rng.uniform(0.0, 3.0)),
        pickup=int(rng.integers(0, first)),
        unit=unit,
        drift=float(rng.uniform(0, 0.08)),
        slots=int(rng.choice([2, 3, 4])),
        swing=1.0,
        jitter_s=0.004,
        seed=seed,
    )


def write_track(path, seconds, channels=1, level=0.1, rate_hz=RATE_HZ, seed=0):
    """Pink-ish noise with chords: something with the loudness of music."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    sound = sum(np.sin(2 * np.pi * f * t + f) for f in (110, 165, 220, 277.2, 440)) * 0.3
    sound = sound[:, None] + 0.3 * rng.standard_normal((n, channels))
    soundfile.write(path, (level * sound).astype(np.float32), rate_hz)
    return path


def onsets(samples, rate_hz):
    """Where short sounds start: power jumps, then the amplitude passes half of its maximum. Knows nothing of clicks."""
    samples = np.asarray(samples, float)
    total = np.r_[0.0, np.cumsum(samples**2)]
    after, before = round(0.003 * rate_hz), round(0.01 * rate_hz)
    k = np.arange(len(samples))
    ahead = (total[np.minimum(k + after, len(samples))] - total[k]) / after
    behind = (total[k] - total[np.maximum(k - before, 0)]) / before
    novelty = ahead / (behind + 1e-3 * ahead.max())
    peaks, _ = find_peaks(np.r_[0.0, novelty], height=4.0, distance=round(0.03 * rate_hz))
    amplitude = np.abs(hilbert(samples, next_fast_len(len(samples)))[: len(samples)])
    found = []
    for peak in peaks:
        first = max(0, peak - after)
        part = amplitude[first : peak + 2 * after]
        found.append((first + np.flatnonzero(part >= part.max() / 2)[0]) / rate_hz)
    return np.array(found)
