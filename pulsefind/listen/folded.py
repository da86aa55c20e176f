"""Sounds found by folding all bars onto each other: what recurs at a place adds up, everything else doesn't.

1. At every place of every bar the spectrum is compared with the one just before: a mel spectrum at five moments after
   the attack, and a semitone spectrum of the next 90 ms, which separates a chord from a bass struck with it. A band at
   one moment is a cell. What rises in 70 % of the bars (the 30 % quantile over the bars, less the same between the
   places) recurs there.
2. A place where something recurs is an example of a sound. Places that contain each other's rises belong to one sound,
   whose pattern of cells is their median.
3. The sound is also struck at a place where others are struck at the same time, if no cell contradicts that: a sound
   that is there leaves its own power in all its cells, whatever sounds with it.
4. In each bar, it is struck at such a place if its cells rise there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.counts import full_bars, slots_of
from pulsefind.core.mapped import let_go
from pulsefind.core.records import Audio, Bars, Beats, FloatArray, Grid, Hits, IntArray
from pulsefind.listen.features import Float32Array, Spectrogram, framed_magnitude
from pulsefind.listen.measuring import Group, hits_of

RECURS = 0.7
"""Share of the bars in which a cell must rise to be part of what recurs at a place (judged)."""

USUAL_LEVEL = (0.35, 0.2)
"""Quantile over the bars of the power at a place, for mel and for semitone cells (judged). Chords and bass lines change
from bar to bar, and what fills a semitone in only some bars isn't the sound.
"""

LEFT_POWER = (0.7, 0.6)
"""Share of its power that a sound leaves in a mel and in a semitone cell wherever it is struck (judged)."""

LACKING = (0.03, 0.03)
"""The largest part of a sound (share of its rises) that may be missing where it is struck with others (judged)."""

ALIKE_LACKING = 0.65
"""The same for two places that contain each other's rises (judged): the player varies."""

CONTAINED = 0.3
"""The smallest share of a sound's rises at a place, or in one bar there, if it is struck (judged)."""

LEAST_RISE = 8.0
"""Sum of the rises of all cells (log amplitude) from which something recurs at a place (judged)."""

FEW_SEMITONES = 8.0
"""A sound whose semitones rise by less in total has no pitch to be judged by (judged)."""

FEWEST_BARS, MIN_HITS = 4, 4  # judged: fewer don't recur
MOST_BARS = 128  # judged: places are learnt from at most so many bars, evenly spread

MOMENTS = ((0, 2), (2, 4), (4, 7), (7, 11), (11, 17))
"""The moments after an attack, in frames of the spectrogram (judged: up to 85 ms)."""
BEFORE = (-9, -4)
"""The moment before it (judged)."""

_SEMITONE_WINDOW, _SEMITONE_AWAY_S = 4096, 0.05  # 93 ms, which begin with an attack and end just before it (judged)
_LOWEST_HZ, _SEMITONES = 80.0, 71  # judged: from a guitar's low E to 4.5 kHz
_FLOOR_SHARE, _LOUD = 1e-5, 95.0  # judged: the floor as a share of the power of the loud places (a percentile)
_CLEAR_RISE = 0.1  # judged: beyond what chance gives
_PIECE_BARS = 128  # judged: bars handled at once


@dataclass(frozen=True, slots=True)
class _Cells:
    """For one kind of spectrum: power before and after the places, (n_bars, n_places, cells)."""

    before: Float32Array
    after: Float32Array


@dataclass(frozen=True, slots=True)
class _Folded:
    """The folded bars, (n_places, cells): what rises, by how much power, and the power that is there."""

    rise: FloatArray
    power: FloatArray
    level: FloatArray


@dataclass(frozen=True, slots=True)
class _FoldedSound:
    """One sound: its rise and power in each kind of cell, and its places (n_places,)."""

    rise: tuple[FloatArray, ...]
    power: tuple[FloatArray, ...]
    places: NDArray[np.bool_]


def find_folded(audio: Audio, start_s: float, beats: Beats, bars: Bars, grid: Grid, spectrum: Spectrogram) -> Hits:
    """Hits of the sounds that the folded bars show.

    audio, with its spectrum, begins start_s after the zero of beats and bars, and the hits' times count from its
    beginning. Fewer than four full bars, or places at which nothing recurs, give no hits.
    """
    full = np.flatnonzero(full_bars(bars))
    if len(full) < FEWEST_BARS or not len(spectrum.magnitude):
        return hits_of(audio, spectrum, [])
    place_s = _place_times_s(full, beats, bars, grid) - start_s
    learned = np.unique(np.linspace(0, len(full) - 1, min(len(full), MOST_BARS)).astype(np.int64))
    at = place_s[learned]
    between = _between_s(at, _ends_s(full, beats, bars)[learned] - start_s)
    mel, semitones = _mel_cells(spectrum, at), _semitone_cells(audio, at)
    kinds = [
        _folded(mel, _mel_cells(spectrum, between), USUAL_LEVEL[0]),
        _folded(semitones, _semitone_cells(audio, between), USUAL_LEVEL[1]),
    ]
    groups = []
    for sound in _sounds(kinds):
        attack_s, strength = _struck(spectrum, place_s[:, sound.places], sound.rise[0], _floor(mel))
        if len(attack_s) >= MIN_HITS:
            attack = np.round(attack_s * spectrum.frame_rate_hz).astype(np.int64)
            attack = np.clip(attack, 0, len(spectrum.magnitude) - 1)
            groups.append(Group(attack, strength, _weight(sound.power[0])))
    return hits_of(audio, spectrum, groups)


def _place_times_s(full: IntArray, beats: Beats, bars: Bars, grid: Grid) -> FloatArray:
    """(n_full_bars, n_places) times of every place of the grid."""
    first = np.r_[0, np.cumsum(bars.beats)][full]
    edge = bars.edges_s(beats)
    position = np.array([place.position_beats for place in slots_of(bars, grid)])
    times: FloatArray = np.interp(first[:, None] + position, np.arange(len(edge)), edge)
    return times


def _ends_s(full: IntArray, beats: Beats, bars: Bars) -> FloatArray:
    """(n_full_bars,) where each full bar ends."""
    return bars.edges_s(beats)[np.cumsum(bars.beats)[full]]


def _between_s(at: FloatArray, ends_s: FloatArray) -> FloatArray:
    """In the middle between each place (n_bars, n_places) and the next: the last place is as long as the first, and a
    single one as its bar.
    """
    following = at[:, -1:] + at[:, 1:2] - at[:, :1] if at.shape[1] > 1 else ends_s[:, None]
    middle: FloatArray = at + np.diff(np.c_[at, following], axis=1) / 2
    return middle


def _mel_cells(spectrum: Spectrogram, time_s: FloatArray) -> _Cells:
    """Power before and after (n_bars, n_places) times in mel bands, at five moments."""
    frame = np.round(time_s.ravel() * spectrum.frame_rate_hz).astype(np.int64)
    last = len(spectrum.magnitude) - 1

    def mean(first: int, end: int) -> Float32Array:
        total = np.zeros((len(frame), spectrum.magnitude.shape[1]), np.float32)
        for k in range(first, end):
            total += spectrum.magnitude[np.clip(frame + k, 0, last)] ** 2
        return total / np.float32(end - first)

    after = np.concatenate([mean(*moment) for moment in MOMENTS], axis=1)
    before = np.tile(mean(*BEFORE), (1, len(MOMENTS)))
    return _Cells(before.reshape(*time_s.shape, -1), after.reshape(*time_s.shape, -1))


def _semitone_cells(audio: Audio, time_s: FloatArray) -> _Cells:
    """Power in semitones in windows that end just before, and begin with, (n_bars, n_places) times."""
    bank = _semitone_bank(audio.rate_hz)
    centre, away = np.round(time_s.ravel() * audio.rate_hz).astype(np.int64), int(_SEMITONE_AWAY_S * audio.rate_hz)
    before, after = (
        framed_magnitude(audio.samples, _SEMITONE_WINDOW, centre + k, bank).reshape(*time_s.shape, -1) ** 2
        for k in (-away, away)
    )
    return _Cells(before, after)


def _semitone_bank(rate_hz: int) -> Float32Array:
    """(bins, semitones) triangles of one semitone to each side, or the nearest bin where bins are wider than that."""
    hz = np.arange(_SEMITONE_WINDOW // 2 + 1) * rate_hz / _SEMITONE_WINDOW
    centre_hz = _LOWEST_HZ * 2 ** (np.arange(_SEMITONES) / 12)
    away = 12 * np.abs(np.log2(np.maximum(hz, 1.0)[:, None] / centre_hz))
    bank = np.maximum(0.0, 1.0 - away)
    for k in np.flatnonzero(bank.sum(axis=0) < 0.5):
        bank[np.argmin(np.abs(hz - centre_hz[k])), k] = 1.0
    return bank.astype(np.float32)


def _rise(cells: _Cells, floor: float) -> Float32Array:
    """Log of the amplitude after the place over that before it, 0 where it falls."""
    rise = np.log(cells.after + np.float32(floor)) - np.log(cells.before + np.float32(floor))
    return np.asarray(np.maximum(rise / 2, 0.0), np.float32)


def _floor(cells: _Cells) -> float:
    return float(_FLOOR_SHARE * np.percentile(cells.after.max(axis=2), _LOUD) + 1e-20)


def _folded(here: _Cells, between: _Cells, usual: float) -> _Folded:
    """What recurs at the places, beyond what recurs between them."""
    floor = _floor(here)
    chance = np.quantile(_rise(between, floor), 1 - RECURS, axis=0)
    rise = np.quantile(_rise(here, floor), 1 - RECURS, axis=0) - chance.mean(axis=0) - chance.std(axis=0) - _CLEAR_RISE
    return _Folded(
        np.maximum(rise, 0.0).astype(np.float64),
        np.quantile(np.maximum(here.after - here.before, 0), 1 - RECURS, axis=0).astype(np.float64),
        np.quantile(here.after, usual, axis=0).astype(np.float64),
    )


def _sounds(kinds: list[_Folded]) -> list[_FoldedSound]:
    """The sounds of all places, each set of places once."""
    alive = np.sum([folded.rise.sum(axis=1) for folded in kinds], axis=0) > LEAST_RISE
    examples = np.flatnonzero(alive)
    holds = {
        e: alive & _holds(kinds, [f.rise[e] for f in kinds], [f.power[e] for f in kinds], (ALIKE_LACKING,) * 2)
        for e in examples
    }
    found: dict[bytes, _FoldedSound] = {}
    for e in examples:
        alike = [s for s in examples if holds[e][s] and holds[s][e]]
        if e not in alike:
            continue
        rise = [np.median(folded.rise[alike], axis=0) for folded in kinds]
        power = [np.median(folded.power[alike], axis=0) for folded in kinds]
        places = alive & _holds(kinds, rise, power, LACKING)
        places[alike] = True
        found.setdefault(places.tobytes(), _FoldedSound(tuple(rise), tuple(power), places))
    return list(found.values())


def _holds(
    kinds: list[_Folded], rise: list[FloatArray], power: list[FloatArray], most: tuple[float, ...]
) -> NDArray[np.bool_]:
    """(n_places,) can the sound be struck there? Its mel cells rise, and hardly any cell has less than its power."""
    mel = kinds[0]
    share = np.minimum(mel.rise, rise[0]).sum(axis=1) / max(float(rise[0].sum()), 1e-9)
    held: NDArray[np.bool_] = share >= CONTAINED
    for k, folded in enumerate(kinds):
        total = float(rise[k].sum())
        if k and total < FEW_SEMITONES:
            continue
        lacking = (rise[k] * (folded.level < LEFT_POWER[k] * power[k])).sum(axis=1) / max(total, 1e-9)
        held &= lacking <= most[k]
    return held


def _struck(
    spectrum: Spectrogram, place_s: FloatArray, rise: FloatArray, floor: float
) -> tuple[FloatArray, FloatArray]:
    """Times (n,) at which a sound is struck, out of (n_bars, n_places), and how completely (n,), 0..1."""
    share = np.empty(place_s.shape)
    for first in range(0, len(place_s), _PIECE_BARS):
        found = _rise(_mel_cells(spectrum, place_s[first : first + _PIECE_BARS]), floor)
        share[first : first + _PIECE_BARS] = np.minimum(found, rise).sum(axis=2) / max(float(rise.sum()), 1e-9)
        let_go(spectrum.magnitude)
    struck = share >= CONTAINED
    return place_s[struck], share[struck]


def _weight(power: FloatArray) -> FloatArray:
    """(bands,) share of each band in a sound, from its power at the five moments."""
    band = np.sqrt(power.reshape(len(MOMENTS), -1).max(axis=0))
    share: FloatArray = band / max(float(band.sum()), 1e-12)
    return share
