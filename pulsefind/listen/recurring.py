"""Recurring sounds that no network was taught: attacks, sorted by what they sound like.

1. Attacks are peaks in the rises of a mel spectrogram, looked for in five bands separately, so that a shaker is found
   under a loud bass.
2. The rise around each attack, and what remains of it after 20 to 100 ms, form one non-negative vector.
3. Non-negative matrix factorisation of these vectors (Lee and Seung 1999; for drums Smaragdis 2004 and Lindsay-Smith,
   McDonald and Sandler 2012) gives sounds: an attack may hold several of them at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from pulsefind.core.mapped import let_go
from pulsefind.core.records import FloatArray, IntArray
from pulsefind.core.strongest import strongest
from pulsefind.listen.factorising import gains_of, templates_of
from pulsefind.listen.features import PIECE_FRAMES, Compressed, Float32Array, Spectrogram
from pulsefind.listen.measuring import MIN_HITS, Group, band_weight, power_in, rise_db

MAX_SOUNDS = 8  # judged: few songs have more
LEARN_FROM = 600  # judged: attacks that templates are learnt from

WORTH_A_SOUND = 0.01
"""Share of the attacks' energy that a direction must carry to count as a sound (judged)."""

OWN_BANDS_HZ = (150.0, 400.0, 900.0, 2000.0, 5000.0, 16000.0)
"""Edges of the bands whose attacks are also examined one by one (judged)."""

FAINTEST_DB = 3.0
"""A smaller rise in its own band is a beating of tones or a swell, not a hit (judged)."""

_BAND_EDGES = ((0, 3), (3, 12), (12, 36), (36, 56), (56, 72))  # mel bands: judged, from bass to cymbals
_PEAK_REACH, _MEAN_REACH = 6, 24  # frames, 30 and 120 ms: judged, within which a peak is the highest, and is compared
_PEAK_RATIO, _PEAK_FLOOR = 1.5, 0.06  # judged: how far a peak stands over the mean around it
_ONE_STROKE_FRAMES = 5  # 25 ms, judged: attacks of several bands fewer frames apart are one stroke
_ALIKE = 0.92  # judged: cosine of two templates from which they are one sound
_BEFORE_FRAMES, _AFTER_FRAMES = 5, 22  # judged: what is looked at around an attack, -25 to 110 ms


@dataclass(frozen=True, slots=True)
class _Parts:
    """The factorisation: gain (n_attacks, n_sounds) and template (n_sounds, 3 * bands), unit norm."""

    gain: FloatArray
    template: FloatArray


def recurring_groups(spectrum: Spectrogram) -> list[Group]:
    """Whatever recurs, sorted by what it sounds like, followed by the attacks of each band by itself."""
    own_bands = [(spectrum.centre_hz >= low) & (spectrum.centre_hz < high) for low, high in pairwise(OWN_BANDS_HZ)]
    compressed = spectrum.compressed()
    novelty = compressed.mean_rises([*(slice(*edges) for edges in _BAND_EDGES), *own_bands])
    groups = _alike_groups(spectrum, compressed, attack_frames(novelty[: len(_BAND_EDGES)]))
    for inside, rise in zip(own_bands, novelty[len(_BAND_EDGES) :], strict=True):
        groups += _band_groups(spectrum, inside, rise)
    return groups


def _alike_groups(spectrum: Spectrogram, compressed: Compressed, attack: IntArray) -> list[Group]:
    """Whatever else is struck or plucked, sorted by what it sounds like."""
    if len(attack) < MIN_HITS:
        return []
    parts = _factorise(_attack_vectors(compressed, attack))
    groups = []
    for k in range(parts.gain.shape[1]):
        threshold, full = _present_above(parts.gain[:, k])
        member = np.flatnonzero(parts.gain[:, k] > threshold)
        weight = band_weight(spectrum, attack[member], parts.template[k, : len(spectrum.centre_hz)])
        member = member[rise_db(power_in(spectrum, weight), attack[member]) >= FAINTEST_DB]
        if len(member) >= MIN_HITS:
            groups.append(Group(attack[member], np.minimum(parts.gain[member, k] / full, 2.0), weight))
    return groups


def _band_groups(spectrum: Spectrogram, inside: NDArray[np.bool_], rise: Float32Array) -> list[Group]:
    """The attacks of one band by itself, or none: a sound struck with others may be intact in a band of its own."""
    attack = _peaks(rise)
    if len(attack) < MIN_HITS:
        return []
    threshold, full = _present_above(rise[attack])
    struck = attack[rise[attack] > threshold]
    weight = band_weight(spectrum, struck, inside.astype(np.float64))
    struck = struck[rise_db(power_in(spectrum, weight), struck) >= FAINTEST_DB]
    if len(struck) < MIN_HITS:
        return []
    return [Group(struck, np.minimum(rise[struck] / full, 2.0).astype(np.float64), weight)]


def attack_frames(rises: list[Float32Array]) -> IntArray:
    """Frames (n_attacks,) at which some group of bands, given its rises, rises clearly above its surroundings."""
    salience = np.zeros(len(rises[0]))
    for novelty in rises:
        peak = _peaks(novelty)
        if len(peak):
            usual = np.percentile(novelty[peak], 90)
            salience[peak] = np.maximum(salience[peak], novelty[peak] / usual)
    frame = np.flatnonzero(salience)
    return frame[strongest(frame, salience[frame], _ONE_STROKE_FRAMES)]


def _peaks(novelty: Float32Array) -> IntArray:
    """Frames at which a rise is a local maximum, clearly above its surroundings."""
    highest = novelty == maximum_filter1d(novelty, 2 * _PEAK_REACH + 1)
    above = novelty > _PEAK_RATIO * uniform_filter1d(novelty, 2 * _MEAN_REACH + 1) + _PEAK_FLOOR
    return np.flatnonzero(highest & above)


def _attack_vectors(compressed: Compressed, attack: IntArray) -> FloatArray:
    """(n_attacks, 3 * bands): the rise, what remains of it after 20-40 ms, and after 60-105 ms."""
    n_frames, n_bands = compressed.magnitude.shape
    vectors = np.empty((len(attack), 3 * n_bands))
    for first in range(0, n_frames, PIECE_FRAMES):
        here = (attack >= first) & (attack < first + PIECE_FRAMES)
        low, high = max(0, first - _BEFORE_FRAMES), min(n_frames, first + PIECE_FRAMES + _AFTER_FRAMES)
        vectors[here] = _vectors_in(
            compressed.between(low, high), compressed.rises_between(low, high), attack[here] - low
        )
        let_go(compressed.magnitude)
    return vectors


def _vectors_in(compressed: Float32Array, rise: Float32Array, attack: IntArray) -> Float32Array:
    """The same for a piece that extends some frames beyond its attacks, unless the recording begins or ends there."""
    last = len(compressed) - 1

    def at(offset: int, of: Float32Array) -> Float32Array:
        return of[np.clip(attack + offset, 0, last)]

    before = np.minimum.reduce([at(-k, compressed) for k in (3, 4, _BEFORE_FRAMES)])
    onset = np.sum([at(k, rise) for k in (-1, 0, 1)], axis=0)
    soon = np.maximum(0, np.mean([at(k, compressed) for k in range(4, 9)], axis=0) - before)
    later = np.maximum(0, np.mean([at(k, compressed) for k in range(12, _AFTER_FRAMES)], axis=0) - before)
    return np.concatenate([onset, 0.5 * soon, 0.35 * later], axis=1)


def _factorise(vectors: FloatArray) -> _Parts:
    """Split the attacks into sounds.

    There are as many sounds as independent directions with enough of the attacks' energy. Templates are learnt from
    evenly spaced attacks (more of the same add nothing); gains are found for all.
    """
    some = vectors[:: max(1, len(vectors) // LEARN_FROM)].astype(np.float32)
    energy = np.linalg.svd(some, compute_uv=False) ** 2
    worthy = int((energy >= WORTH_A_SOUND * energy.sum()).sum())
    found = templates_of(some, int(np.clip(worthy, 1, MAX_SOUNDS)))
    gain = gains_of(vectors.astype(np.float32), found).astype(np.float64)
    template = found.astype(np.float64)
    norm = np.maximum(np.linalg.norm(template, axis=1), 1e-12)
    return _merge_alike(_Parts(gain * norm, template / norm[:, None]))


def _merge_alike(parts: _Parts) -> _Parts:
    """Merge sounds whose templates are nearly the same."""
    gain, template = parts.gain.copy(), parts.template.copy()
    kept: list[int] = []
    for k in np.argsort(-gain.sum(axis=0)):
        twin = next((j for j in kept if template[j] @ template[k] > _ALIKE), None)
        if twin is None:
            kept.append(int(k))
        else:
            gain[:, twin] += gain[:, k]
    return _Parts(gain[:, kept], template[kept])


def _present_above(gain: NDArray[np.floating]) -> tuple[float, float]:
    """The gain above which a sound counts as struck (Otsu 1979, kept within 20..55 % of a full hit), and a full hit."""
    full = float(np.percentile(gain, 97)) or 1.0
    candidates = np.sort(gain[gain > 0.02 * full])
    threshold = _otsu(candidates) if len(candidates) > 8 else full / 2
    return float(np.clip(threshold, 0.2 * full, 0.55 * full)), full


def _otsu(ordered: NDArray[np.floating]) -> float:
    """The split of sorted values with the largest variance between its two sides."""
    n = np.arange(1, len(ordered))
    below = np.cumsum(ordered)[:-1] / n
    above = (ordered.sum() - np.cumsum(ordered)[:-1]) / (len(ordered) - n)
    best = int(np.argmax(n * (len(ordered) - n) * (above - below) ** 2))
    return float((ordered[best] + ordered[best + 1]) / 2)
