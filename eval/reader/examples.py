"""From a song to what the reader learns from: rows of beats in every reading, and each beat's place in the bar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.reader.readings import READINGS, possible, read_as
from eval.reader.songs import WholeSong
from eval.train.ingredients import RATE_HZ
from eval.train.performing import bar_sizes
from pulsefind.beats.beatwise import FRAME_RATE_HZ, beat_rows
from pulsefind.beats.counting import METERS
from pulsefind.beats.decode import BPM_HIGH, BPM_LOW, SEARCH_METERS
from pulsefind.beats.path import best_path, intervals
from pulsefind.beats.reader import PLACES
from pulsefind.core.records import Activations, Audio, Harmony
from pulsefind.listen.activations import OWN, activations
from pulsefind.listen.harmony import harmony_of
from pulsefind.listen.sounding import sounding

UNKNOWN = -1
"""For a beat whose place in the bar a reading doesn't define."""

FEWEST_BEATS = 12
_NEAR_S = 0.07
_RIGHT, _CLEARLY_RIGHT = 0.8, 0.9
_RATIO_REACH = 0.06


@dataclass(frozen=True, slots=True)
class Example:
    """One stretch of a song in all its readings.

    rows: (n_beats, n_columns) for each reading; place: (n_beats,) index into PLACES or UNKNOWN; kind: which of
    READINGS each is; right: which of them is how the song is counted, or UNKNOWN.
    """

    rows: tuple[NDArray[np.float16], ...]
    place: tuple[NDArray[np.int8], ...]
    kind: tuple[int, ...]
    right: int
    style: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Sound:
    """What the networks hear of a song (activations, harmony), and the beats that the search finds, in seconds."""

    heard: Activations
    harmony: Harmony
    base_s: NDArray[np.float64]


def listened(song: WholeSong) -> Sound:
    """Listen to a song as the pipeline does."""
    audio = Audio(song.samples, RATE_HZ, None, 1, RATE_HZ, "")
    heard = activations(audio, OWN, use_cache=False)
    part = sounding(heard.values)
    path = best_path(heard.values[part], intervals(heard.frame_rate_hz, BPM_LOW, BPM_HIGH), SEARCH_METERS)
    return Sound(heard, harmony_of(audio), (path.frame + part.start) / heard.frame_rate_hz)


def examples(song: WholeSong, crops: int, rng: Generator) -> list[Example]:
    """The whole song and some stretches of it of 12 to 60 s, each in all its readings."""
    sound = listened(song)
    end_s = len(song.samples) / RATE_HZ
    spans = [(0.0, end_s)]
    for _ in range(crops):
        length = float(np.exp(rng.uniform(np.log(12.0), np.log(60.0))))
        first = float(rng.uniform(0, max(0.0, end_s - length)))
        spans.append((first, first + length))
    found = (stretch(sound, song.beats, first, last, song.style) for first, last in spans)
    return [one for one in found if one is not None]


def stretch(
    sound: Sound,
    beats: NDArray[np.float64],
    first_s: float,
    last_s: float,
    style: str,
) -> Example | None:
    """The beats of a stretch in all their readings, as if nothing beyond it were known; None if there are too few."""
    struck, harmony = cut(sound, first_s, last_s)
    own = sound.base_s[(sound.base_s >= first_s) & (sound.base_s < last_s)] - first_s
    inside = (beats[:, 0] >= first_s - 0.05) & (beats[:, 0] < last_s)
    truth = np.c_[beats[inside, 0] - first_s, beats[inside, 1], bar_sizes(beats[:, 1])[inside]]
    if len(truth) < FEWEST_BEATS or len(own) < FEWEST_BEATS:
        return None
    kinds, rows, places, scores = [], [], [], []
    for reading in possible(own, FEWEST_BEATS // 2):
        time_s = read_as(reading, own)
        kinds.append(READINGS.index(reading))
        rows.append(beat_rows(struck, harmony, time_s).astype(np.float16))
        places.append(places_of(time_s, truth))
        scores.append(agreement(time_s, truth[:, 0]))
    if not scores:
        return None
    best = int(np.argmax(scores))
    right = best if scores[best] > _CLEARLY_RIGHT else UNKNOWN
    return Example(tuple(rows), tuple(places), tuple(kinds), right, style, last_s - first_s)


def cut(sound: Sound, first_s: float, last_s: float) -> tuple[NDArray[np.float64], Harmony]:
    """What was heard between two moments."""
    a, b = (round(t * FRAME_RATE_HZ) for t in (first_s, last_s))
    c, d = (round(t * sound.harmony.frame_rate_hz) for t in (first_s, last_s))
    return sound.heard.struck[a:b], Harmony(sound.harmony.pitch_class[c:d], sound.harmony.frame_rate_hz)


def agreement(time_s: NDArray[np.float64], truth_s: NDArray[np.float64]) -> float:
    """F-measure within 70 ms (Davies, Degara and Plumbley 2009), each beat matched to the nearest."""
    if not len(time_s) or not len(truth_s):
        return 0.0
    near = [np.abs(a[:, None] - b[None]).min(axis=1) <= _NEAR_S for a, b in ((time_s, truth_s), (truth_s, time_s))]
    precision, recall = (float(hit.mean()) for hit in near)
    return 2 * precision * recall / max(precision + recall, 1e-9)


def places_of(time_s: NDArray[np.float64], truth: NDArray[np.float64]) -> NDArray[np.int8]:
    """(n_beats,) the place of each beat of a reading, from the truth (time_s, count, size of its bar).

    A reading at twice, half or a third of the tempo has places of its own where its beats fall on the true ones.
    """
    index = np.interp(time_s, truth[:, 0], np.arange(len(truth)), left=np.nan, right=np.nan)
    ratio = float(np.nanmedian(np.diff(index))) if np.isfinite(index).sum() > 3 else 0.0
    place = np.full(len(time_s), UNKNOWN, np.int8)
    for k, i in enumerate(index):
        if np.isfinite(i):
            place[k] = _place(i, ratio, truth)
    return place


def _place(index: float, ratio: float, truth: NDArray[np.float64]) -> int:
    """The place of a beat that lies at a fractional index of the true beats, in a reading so many times as slow."""
    for steps, slower in ((1, 1), (2, 1), (3, 1), (1, 2), (1, 3)):
        if abs(np.log(max(ratio, 1e-9) * steps / slower)) > _RATIO_REACH:
            continue
        fine = round(index * steps)
        if abs(index * steps - fine) > 0.2 * max(1, slower):
            return UNKNOWN
        count, size = truth[min(fine // steps, len(truth) - 1), 1:3].astype(int)
        at, length = (count - 1) * steps + fine % steps, size * steps
        if at % slower or length % slower:
            return UNKNOWN
        return _index(at // slower, length // slower)
    return UNKNOWN


def _index(at: int, length: int) -> int:
    """Index into PLACES; a bar of eight counts as two of four, one of twelve as two of six."""
    if length not in METERS and length % 2 == 0:
        return _index(at % (length // 2), length // 2)
    return PLACES.index((length, at)) if (length, at) in PLACES else UNKNOWN
