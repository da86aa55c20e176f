"""Drum kits for takes: sampled, made by our own code, or some of each; and the sound of a performance on one.

A kit has every drum of DRUMS in a few strengths, each struck a few times. Kits are many and unlike each other, since a
take may come from any room, through anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.drum_sounds import RATE_HZ, buzz, drum, trimmed

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

KEYS = {
    "kick": (36, 35),
    "snare": (38, 40),
    "side": (37,),
    "closed": (42,),
    "pedal": (44,),
    "open": (46,),
    "ride": (51, 59),
    "bell": (53,),
    "crash1": (49,),
    "crash2": (57, 52),
    "splash": (55,),
    "tom1": (41, 43),
    "tom2": (45,),
    "tom3": (47, 48),
    "tom4": (50,),
}
"""General MIDI keys of a kit's drums; toms from the floor up."""

DRUMS = tuple(KEYS)
DRUM_OF_KEY = {key: name for name, keys in KEYS.items() for key in keys}
KINDS = ("kick", "snare", "tom", "hat", "cymbal")
OUTPUTS = (*KINDS, "snare or tom", "hat or cymbal", "any")
"""What the network is taught: each kind for itself, and those that a take's review takes together."""

OUTPUTS_OF_KIND = ((0, 7), (1, 5, 7), (2, 5, 7), (3, 6, 7), (4, 6, 7))
"""Which outputs a stroke of each kind is taught to."""

KIND_OF_DRUM = {
    "kick": "kick",
    **dict.fromkeys(("snare", "side"), "snare"),
    **dict.fromkeys(("tom1", "tom2", "tom3", "tom4"), "tom"),
    **dict.fromkeys(("closed", "pedal", "open"), "hat"),
    **dict.fromkeys(("ride", "bell", "crash1", "crash2", "splash"), "cymbal"),
}

RATTLING = frozenset({"kick", "tom1", "tom2", "tom3", "tom4"})
"""Drums that set the snare's wires rattling (common practice, no source)."""

HARDNESS = (0.15, 0.45, 0.8)
_STRUCK = 2
_LEVEL_DB = {"kick": 0, "snare": -2, "side": -8, "tom": -3, "hat": -10, "cymbal": -7}
_CHOKE_S = 0.02


@dataclass(frozen=True, slots=True)
class Samples:
    """Recorded drum sounds: for each kit (a SoundFont's, or loose sounds) and drum, the strokes from soft to hard."""

    kits: tuple[dict[str, tuple[Float32Array, ...]], ...]


def read_samples(path: Path) -> Samples:
    """Read what take_ingredients wrote."""
    with np.load(path, allow_pickle=False) as stored:
        joined, cuts = stored["samples"], stored["cuts"]
        names, kit = stored["names"].tolist(), stored["kit"].tolist()
    kits: list[dict[str, tuple[Float32Array, ...]]] = [{} for _ in range(max(kit, default=-1) + 1)]
    for part, name, k in zip(np.split(joined, cuts), names, kit, strict=True):
        sound = part.astype(np.float32) / np.float32(32767)
        kits[k][name] = (*kits[k].get(name, ()), sound)
    return Samples(tuple(kits))


@dataclass(frozen=True, slots=True)
class Kit:
    """strokes: of each drum, by strength, then repeats; gain of each drum; curve: how loudness follows velocity.

    rattle: the snare's wires as they sound along with a drum of RATTLING, with their gain.
    """

    strokes: dict[str, tuple[tuple[Float32Array, ...], ...]]
    gain: dict[str, float]
    curve: float
    rattle: tuple[Float32Array, ...]
    rattle_gain: float


def draw_kit(samples: Samples, rng: Generator) -> Kit:
    """A kit: sampled whole, made whole, or mixed drum by drum."""
    made_share = float(rng.choice([0.0, 1.0, 0.4], p=[0.35, 0.4, 0.25])) if samples.kits else 1.0
    own = samples.kits[int(rng.integers(len(samples.kits)))] if samples.kits else {}
    pitch = 2 ** (rng.normal(0, 1.5) / 12)
    strokes: dict[str, tuple[tuple[Float32Array, ...], ...]] = {}
    gain: dict[str, float] = {}
    for name in DRUMS:
        source = own
        if made_share == 0.4 and samples.kits:
            source = samples.kits[int(rng.integers(len(samples.kits)))]
        if name in source and rng.random() >= made_share:
            strokes[name] = tuple((_repitched(s, pitch * 2 ** (rng.normal(0, 0.3) / 12)),) for s in source[name])
        else:
            sound = drum(name, rng)
            strokes[name] = tuple(tuple(trimmed(sound(rng, h)) for _ in range(_STRUCK)) for h in HARDNESS)
        level_db = _LEVEL_DB["side" if name == "side" else KIND_OF_DRUM[name]] + rng.normal(0, 3.5)
        gain[name] = float(10 ** (level_db / 20))
    rattle_gain = float(10 ** (rng.uniform(-38, -12) / 20)) if rng.random() < 0.5 else 0.0
    return Kit(strokes, gain, float(rng.uniform(0.9, 2.2)), tuple(buzz(rng) for _ in range(3)), rattle_gain)


def _repitched(sound: Float32Array, step: float) -> Float32Array:
    place = np.arange(0, len(sound) - 1, step)
    return np.asarray(np.interp(place, np.arange(len(sound)), sound), np.float32)


def render(kit: Kit, notes: list[tuple[float, str, float]], length_s: float, rng: Generator) -> Float32Array:
    """Sound (n,) of notes (time_s, drum, velocity 1..127, in order of time), peak at 1. No notes give silence."""
    out = np.zeros(int(length_s * RATE_HZ), np.float32)
    for time_s, name, velocity in notes:
        first = int(np.ceil(time_s * RATE_HZ))
        if not 0 <= first < len(out):
            continue
        layers = kit.strokes[name]
        hard = velocity / 127
        layer = layers[min(len(layers) - 1, max(0, int(hard * len(layers) + rng.uniform(-0.3, 0.3))))]
        sound = layer[int(rng.integers(len(layer)))]
        sound = sound[: len(out) - first] * np.float32(kit.gain[name] * hard**kit.curve * np.exp(rng.normal(0, 0.1)))
        if KIND_OF_DRUM[name] == "hat":
            sound = _choked(sound, notes, time_s, name)
        out[first : first + len(sound)] += sound
        if kit.rattle_gain and name in RATTLING:
            wires = kit.rattle[int(rng.integers(len(kit.rattle)))][: len(out) - first]
            out[first : first + len(wires)] += wires * np.float32(kit.rattle_gain * hard**kit.curve)
    peak = float(np.abs(out).max())
    return out / np.float32(peak) if peak > 0 else out


def _choked(sound: Float32Array, notes: list[tuple[float, str, float]], time_s: float, name: str) -> Float32Array:
    """An open hat is closed by the next stroke of a closed one or of the foot."""
    if name != "open":
        return sound
    after = next((t for t, other, _ in notes if t > time_s and other in ("closed", "pedal")), None)
    if after is None:
        return sound
    end = int((after - time_s) * RATE_HZ)
    if end >= len(sound):
        return sound
    fade = min(int(_CHOKE_S * RATE_HZ), len(sound) - end)
    return np.concatenate([sound[:end], sound[end : end + fade] * np.linspace(1, 0, fade, dtype=np.float32)])
