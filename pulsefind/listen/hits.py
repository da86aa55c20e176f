"""Percussive hits: where they are, to a millisecond, and which of the recurring sounds each of them is.

0. The drum kit is heard by pulsefind's own kit network, kind by kind. What else recurs (an unknown shaker, a muted
   string, a hand on a guitar) is found without any teaching:
1. Attacks are peaks of the rising parts of a mel spectrogram, looked for in five bands apart, so that a shaker is
   found under a loud bass.
2. Around each attack the rise, and what is left of it after 20 to 100 ms, form one non-negative vector.
3. Non-negative matrix factorisation of these vectors (Lee and Seung 1999; for drums Smaragdis 2004 and Lindsay-Smith,
   McDonald and Sandler 2012) gives sounds: an attack may hold several of them at once.
4. Each hit's time is set to the middle of its rise in 1 ms frames of its own band.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.special import logit

from pulsefind.core import nearest
from pulsefind.core.cache import Arrays, code_version, kept
from pulsefind.core.mapped import let_go, pieces
from pulsefind.core.records import Audio, FloatArray, Hits, IntArray, Sound
from pulsefind.listen import features, network
from pulsefind.listen.features import (
    HOP,
    PIECE_FRAMES,
    Compressed,
    Float32Array,
    Spectrogram,
    framed_magnitude,
    spectrogram,
)

MAX_SOUNDS = 8
MIN_HITS = 6
LEARN_FROM = 600
WORTH_A_SOUND = 0.01
"""Share of the attacks' energy that a direction must carry to count as a sound."""

DRUM_KINDS = (
    ("bass drum", "kick", 0.5, 30.0, 160.0),
    ("snare", "snare", 0.25, 150.0, 8000.0),
    ("hi-hat", "hat", 0.4, 5000.0, 16000.0),
    ("cymbal", "cymbal", 0.35, 3000.0, 16000.0),
    ("tom", "tom", 0.4, 60.0, 500.0),
    ("percussion", "percussion", 0.4, 300.0, 10000.0),
)
"""Name, output of the network, the likelihood from which it counts as a hit (where F is highest on songs made with new
seeds, model card), and the band in which it is measured."""

LEAST_ODDS = -3.0
"""Log odds, over those from which it counts, down to which a hit of the drum kit is kept as doubtful: the bars laid on
each other may tell."""

EXPLAINED, EXPLAINED_S = 0.75, 0.03
"""A sound found without teaching is a drum of the kit already when this share of its hits lies so near to that drum's,
and its band within the drum's."""

OWN_BANDS_HZ = (150.0, 400.0, 900.0, 2000.0, 5000.0, 16000.0)
"""Edges of the bands whose attacks are also looked at one by one."""

FAINTEST_DB = 3.0
"""A rise of less than this in its own band is a beating of tones or a swell, not a hit."""

TIMBRE_HZ = (60.0, 120.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)

_BAND_EDGES = ((0, 3), (3, 12), (12, 36), (36, 56), (56, 72))
_PEAK_REACH, _MEAN_REACH = 6, 24
_PEAK_RATIO, _PEAK_FLOOR = 1.5, 0.06
_MERGE_FRAMES = 4
_FINE_PERIODS, _FINE_REACH_MS = 8.0, 30
_ALIKE = 0.92
_FLATNESS_HITS = 40
_BEFORE_FRAMES, _AFTER_FRAMES = 5, 22
_BLOCK_FRAMES = 8192


@dataclass(frozen=True, slots=True)
class Group:
    """The attacks of one sound: attack (n,) frames of the spectrogram, strength (n,), weight (bands,) of its band.

    odds (n,) as in Hits; without them all count.
    """

    attack: IntArray
    strength: FloatArray
    weight: FloatArray
    drum: str = ""
    odds: FloatArray | None = None

    def sure(self) -> IntArray:
        """The attacks that are not doubtful."""
        return self.attack if self.odds is None else self.attack[self.odds >= 0]


@dataclass(frozen=True, slots=True)
class _Parts:
    """The factorisation: gain (n_attacks, n_sounds) and template (n_sounds, 3 * bands), unit norm."""

    gain: FloatArray
    template: FloatArray


def find_hits(audio: Audio, use_cache: bool = False) -> Hits:
    """Find the percussive hits of a recording and sort them into sounds, or take what an earlier run found.

    Silence, or less than a handful of attacks, gives no hits.
    """
    version = code_version(__file__, features.__file__, nearest.__file__)
    key = f"hits-{version}-{network.version(network.KIT)}-{audio.sha256}"
    return _from_arrays(kept(key, lambda: _as_arrays(_hits_of(audio, use_cache)), use_cache))


def _as_arrays(hits: Hits) -> Arrays:
    """Hits as the cache keeps them."""
    measured = np.array([(s.centre_hz, s.decay_ms, s.noisiness) for s in hits.sounds]).reshape(-1, 3)
    drums = np.array([s.drum for s in hits.sounds], np.str_)
    return hits.time_s, hits.sound, hits.strength, hits.level_db, hits.timbre, hits.odds, measured, drums


def _from_arrays(arrays: Arrays) -> Hits:
    time_s, sound, strength, level_db, timbre, odds, measured, drums = arrays
    rows = zip(measured.tolist(), drums.tolist(), strict=True)
    sounds = tuple(Sound(centre_hz, decay_ms, noisiness, drum) for (centre_hz, decay_ms, noisiness), drum in rows)
    return Hits(time_s, sound, strength, level_db, timbre, TIMBRE_HZ, sounds, odds)


def _hits_of(audio: Audio, use_cache: bool) -> Hits:
    spectrum = spectrogram(audio.samples, audio.rate_hz, str(audio.path or "the samples"))
    drums = _drum_groups(network.network_outputs(audio, network.KIT, use_cache=use_cache), spectrum)
    own_bands = [(spectrum.centre_hz >= low) & (spectrum.centre_hz < high) for low, high in pairwise(OWN_BANDS_HZ)]
    compressed = spectrum.compressed()
    novelty = compressed.mean_rises([*(slice(*edges) for edges in _BAND_EDGES), *own_bands])
    attack = attack_frames(novelty[: len(_BAND_EDGES)])
    untaught = _recurring_groups(spectrum, compressed, attack)
    for inside, rise in zip(own_bands, novelty[len(_BAND_EDGES) :], strict=True):
        untaught += _band_groups(spectrum, inside, rise)
    groups = drums + [group for group in untaught if not _explained(group, drums, spectrum)]
    return hits_of(audio, spectrum, groups)


def hits_of(audio: Audio, spectrum: Spectrogram, groups: list[Group]) -> Hits:
    """Time and measure the hits of each group, which becomes one sound; no groups give no hits."""
    if not groups:
        return _no_hits()
    rows = []
    timbre = _power(spectrum, _timbre_weights(spectrum.centre_hz))
    for k, group in enumerate(groups):
        time_s = _fine_times_s(audio, group.attack, group.weight, spectrum.centre_hz)
        level = _level_db(_power(spectrum, group.weight), group.attack)
        bands = np.stack([_level_db(power, group.attack) for power in timbre.T], axis=1)
        odds = np.zeros(len(time_s)) if group.odds is None else group.odds
        rows.append((time_s, np.full(len(time_s), k), group.strength, level, bands, odds))
    time_s, sound, strength, level, bands, odds = (np.concatenate(column) for column in zip(*rows, strict=True))
    order = np.lexsort((sound, time_s))
    sounds = tuple(_describe(audio, spectrum, group) for group in groups)
    measured = (time_s[order], sound[order], strength[order], level[order], bands[order])
    return Hits(*measured, TIMBRE_HZ, sounds, odds[order])


def _drum_groups(heard: Float32Array, spectrum: Spectrogram) -> list[Group]:
    """Hits of the drum kit, as the network hears them, one group a kind."""
    groups = []
    outputs = network.packaged_weights(network.KIT).outputs
    for drum, output, least, low_hz, high_hz in DRUM_KINDS:
        likely = heard[:, outputs.index(output)]
        odds = logit(np.clip(likely, 1e-4, 1 - 1e-4).astype(np.float64)) - logit(least)
        frame = np.flatnonzero((likely == maximum_filter1d(likely, 5)) & (odds > LEAST_ODDS))
        sure = odds[frame] >= 0
        if sure.sum() < MIN_HITS:
            continue
        attack = np.round(frame / network.FRAME_RATE_HZ * spectrum.frame_rate_hz).astype(np.int64)
        attack = np.minimum(attack, len(spectrum.magnitude) - 1)
        inside = (spectrum.centre_hz >= low_hz) & (spectrum.centre_hz <= high_hz)
        weight = _band_weight(spectrum, attack[sure], inside.astype(np.float64))
        full = float(np.percentile(likely[frame][sure], 90))
        strength = np.minimum(likely[frame] / full, 2.0).astype(np.float64)
        groups.append(Group(attack, strength, weight, drum, odds[frame]))
    return groups


def _explained(group: Group, drums: list[Group], spectrum: Spectrogram) -> bool:
    """Is the group one of the drums, heard once more?"""
    reach = EXPLAINED_S * spectrum.frame_rate_hz
    centre = int(np.searchsorted(np.cumsum(group.weight), 0.5))
    for drum in drums:
        if drum.weight[centre] <= 0:
            continue
        if float(np.mean(nearest.distance(drum.sure(), group.attack) <= reach)) >= EXPLAINED:
            return True
    return False


def _recurring_groups(spectrum: Spectrogram, compressed: Compressed, attack: IntArray) -> list[Group]:
    """Whatever else is struck or plucked, sorted by what it sounds like."""
    if len(attack) < MIN_HITS:
        return []
    parts = _factorise(_attack_vectors(compressed, attack))
    groups = []
    for k in range(parts.gain.shape[1]):
        threshold, full = _present_above(parts.gain[:, k])
        member = np.flatnonzero(parts.gain[:, k] > threshold)
        weight = _band_weight(spectrum, attack[member], parts.template[k, : len(spectrum.centre_hz)])
        member = member[_level_db(_power(spectrum, weight), attack[member]) >= FAINTEST_DB]
        if len(member) >= MIN_HITS:
            groups.append(Group(attack[member], np.minimum(parts.gain[member, k] / full, 2.0), weight))
    return groups


def _band_groups(spectrum: Spectrogram, inside: NDArray[np.bool_], rise: Float32Array) -> list[Group]:
    """The attacks of one band by itself, or none: a sound that others are struck with is whole in a band of its own."""
    attack = _peaks(rise)
    if len(attack) < MIN_HITS:
        return []
    threshold, full = _present_above(rise[attack])
    struck = attack[rise[attack] > threshold]
    weight = _band_weight(spectrum, struck, inside.astype(np.float64))
    struck = struck[_level_db(_power(spectrum, weight), struck) >= FAINTEST_DB]
    if len(struck) < MIN_HITS:
        return []
    return [Group(struck, np.minimum(rise[struck] / full, 2.0).astype(np.float64), weight)]


def _no_hits() -> Hits:
    nothing = np.zeros(0)
    return Hits(nothing, np.zeros(0, np.int64), nothing, nothing, np.zeros((0, len(TIMBRE_HZ))), TIMBRE_HZ, ())


def attack_frames(rises: list[Float32Array]) -> IntArray:
    """Frames (n_attacks,) at which some group of bands rises clearly above its surroundings, from the rise of each."""
    salience = np.zeros(len(rises[0]))
    for novelty in rises:
        peak = _peaks(novelty)
        if len(peak):
            usual = np.percentile(novelty[peak], 90)
            salience[peak] = np.maximum(salience[peak], novelty[peak] / usual)
    kept: list[int] = []
    for frame in np.flatnonzero(salience):
        if kept and frame - kept[-1] <= _MERGE_FRAMES:
            if salience[frame] > salience[kept[-1]]:
                kept[-1] = int(frame)
        else:
            kept.append(int(frame))
    return np.array(kept, dtype=np.int64)


def _peaks(novelty: Float32Array) -> IntArray:
    """Frames at which a rise is the highest around, and clearly above its surroundings."""
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
    """The same of a piece that begins and ends some frames beyond the attacks, unless the recording does there."""
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

    There are as many as independent directions that carry enough of the attacks' energy. Templates are learned from
    evenly spaced attacks (more of the same teach nothing), gains found for all.
    """
    # A second to import, and not needed where the cache knows the hits.
    from sklearn.decomposition import NMF
    from sklearn.exceptions import ConvergenceWarning

    some = vectors[:: max(1, len(vectors) // LEARN_FROM)].astype(np.float32)
    energy = np.linalg.svd(some, compute_uv=False) ** 2
    worthy = int((energy >= WORTH_A_SOUND * energy.sum()).sum())
    model = NMF(int(np.clip(worthy, 1, MAX_SOUNDS)), init="nndsvda", max_iter=200, random_state=0)
    with warnings.catch_warnings():
        # 200 rounds settle the templates to far below what the ear tells apart; the rest changes nothing.
        warnings.simplefilter("ignore", ConvergenceWarning)
        model.fit(some)
        gain = model.transform(vectors.astype(np.float32)).astype(np.float64)
    template = model.components_.astype(np.float64)
    norm = np.maximum(np.linalg.norm(template, axis=1), 1e-12)
    return _merge_alike(_Parts(gain * norm, template / norm[:, None]))


def _merge_alike(parts: _Parts) -> _Parts:
    """Join sounds whose templates are nearly the same."""
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


def _band_weight(spectrum: Spectrogram, attack: IntArray, allowed: FloatArray) -> FloatArray:
    """(bands,) share of each band in the sound, summing to 1: how much louder it gets, where it may."""
    last = len(spectrum.magnitude) - 1
    after = np.mean([spectrum.magnitude[np.clip(attack + k, 0, last)] for k in range(1, 5)], axis=0)
    before = np.mean([spectrum.magnitude[np.clip(attack - k, 0, last)] for k in range(3, 7)], axis=0)
    louder = np.maximum(np.median(after - before, axis=0), 0.0).astype(np.float64) * allowed
    if louder.sum() <= 0:
        louder = allowed + 1e-12
    share: FloatArray = louder / louder.sum()
    return share


def _power(spectrum: Spectrogram, weight: FloatArray) -> FloatArray:
    """(n_frames,) power in the bands that a weight (bands,) names, or (n_frames, k) for weights (bands, k).

    Piece by piece: a squared copy of an hour's spectrogram takes 200 MB.
    """
    power = np.empty((len(spectrum.magnitude), *weight.shape[1:]))
    for k, piece in enumerate(pieces(spectrum.magnitude, _BLOCK_FRAMES)):
        first = k * _BLOCK_FRAMES
        power[first : first + len(piece)] = np.square(piece) @ weight.astype(np.float32)
    return power


def _level_db(power: FloatArray, attack: IntArray) -> FloatArray:
    """How far each hit stands over what sounded 15 to 40 ms before it, by the power (n_frames,) of its own band."""
    last = len(power) - 1
    peak = np.max([power[np.clip(attack + k, 0, last)] for k in range(5)], axis=0)
    before = np.mean([power[np.clip(attack - k, 0, last)] for k in range(3, 9)], axis=0)
    floor = 1e-6 * float(power.max()) + 1e-20
    level: FloatArray = np.clip(10 * np.log10((peak + floor) / (before + floor)), 0.0, 60.0)
    return level


def _timbre_weights(centre_hz: FloatArray) -> FloatArray:
    """(bands, len(TIMBRE_HZ)) share of each band in the parts of the spectrum that a timbre tells of."""
    edges = np.sqrt(np.array(TIMBRE_HZ[:-1]) * np.array(TIMBRE_HZ[1:]))
    inside = np.searchsorted(edges, centre_hz)[:, None] == np.arange(len(TIMBRE_HZ))
    weights: FloatArray = inside / np.maximum(1, inside.sum(axis=0))
    return weights


def _fine_times_s(audio: Audio, attack: IntArray, weight: FloatArray, centre_hz: FloatArray) -> FloatArray:
    """(n,) time at which the envelope of a sound's band has risen half way, in 1 ms steps.

    The window is just long enough for the band. A symmetric window is half full when its centre passes a sudden
    start, whatever its length.
    """
    step = audio.rate_hz / 1000
    shift = np.round(np.arange(-_FINE_REACH_MS, _FINE_REACH_MS + 1) * step).astype(np.int64)
    middle_hz = float(np.interp(0.5, np.cumsum(weight), centre_hz))
    window = int(2 ** np.clip(np.round(np.log2(_FINE_PERIODS * audio.rate_hz / middle_hz)), 8, 11))
    bin_hz = np.arange(window // 2 + 1) * audio.rate_hz / window
    share = np.interp(bin_hz, centre_hz, weight, left=weight[0], right=0.0)
    bank = np.sqrt(share).astype(np.float32)[:, None]
    centre = attack * HOP
    around = (centre[:, None] + shift[None, :]).ravel()
    envelope = framed_magnitude(audio.samples, window, around, bank).reshape(len(attack), -1)
    offset = np.array([_half_rise(row) for row in envelope.astype(np.float64)])
    found: FloatArray = np.maximum(0.0, (centre + np.interp(offset, np.arange(len(shift)), shift)) / audio.rate_hz)
    return found


def _half_rise(envelope: FloatArray) -> float:
    """Index (fractional) at which the steepest rise near the middle has come half way from its foot to its peak."""
    middle = len(envelope) // 2
    slope = np.diff(envelope)
    near = slice(middle - 15, middle + 12)
    steepest = int(np.argmax(slope[near])) + near.start
    top = steepest + 1
    while top + 1 < len(envelope) and envelope[top + 1] > envelope[top]:
        top += 1
    foot = steepest
    while foot > 0 and envelope[foot - 1] < envelope[foot]:
        foot -= 1
    half = (envelope[foot] + envelope[top]) / 2
    for k in range(foot, top):
        if envelope[k] <= half <= envelope[k + 1] and envelope[k + 1] > envelope[k]:
            return k + float((half - envelope[k]) / (envelope[k + 1] - envelope[k]))
    return float(steepest)


def _describe(audio: Audio, spectrum: Spectrogram, group: Group) -> Sound:
    """Measure a sound from its attack and from the mean course of its band after it."""
    attack, weight = group.sure(), group.weight
    centre_hz = float(np.interp(0.5, np.cumsum(weight), spectrum.centre_hz))
    last = len(spectrum.magnitude) - 1
    power = _power(spectrum, weight)
    course = np.array([np.median(power[np.clip(attack + k, 0, last)]) for k in range(121)])
    rest = np.median([np.median(power[np.clip(attack - k, 0, last)]) for k in range(3, 9)])
    above = np.maximum(course - rest, 0.0)
    top = int(np.argmax(above[:8]))
    fallen = np.flatnonzero(above[top:] < 0.01 * above[top])
    decay_frames = int(fallen[0]) if len(fallen) else len(above) - top
    decay_ms = 1000 * decay_frames / spectrum.frame_rate_hz
    return Sound(centre_hz, decay_ms, _noisiness(audio, attack, weight, spectrum), group.drum)


def _noisiness(audio: Audio, attack: IntArray, weight: FloatArray, spectrum: Spectrogram) -> float:
    """Spectral flatness just after the attack, in the sound's own band: 0 for a tone, 1 for noise.

    The flatness (geometric over arithmetic mean) of a noise periodogram is exp(-Euler's gamma) = 0.56, the scale here.
    """
    window = 2048
    cumulative = np.cumsum(weight)
    low_hz, high_hz = np.interp([0.1, 0.9], cumulative, spectrum.centre_hz)
    first = int(low_hz * window / audio.rate_hz)
    last = max(first + 8, int(high_hz * window / audio.rate_hz) + 1)
    some = attack[:: max(1, len(attack) // _FLATNESS_HITS)]
    bins = np.eye(window // 2 + 1, dtype=np.float32)[:, first:last]
    power = framed_magnitude(audio.samples, window, some * HOP + window // 2, bins).astype(np.float64) ** 2 + 1e-20
    flatness = np.exp(np.log(power).mean(axis=1)) / power.mean(axis=1)
    return float(min(1.0, np.median(flatness) / np.exp(-np.euler_gamma)))
