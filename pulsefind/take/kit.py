"""Strokes named by the kit network: it says what was struck, the signal says when to the millisecond.

The rises of eight bands find every attack, but a gated room or a ringing snare rises too, and a snare in a big room
looks like a kick. The network that hears drums in songs (listen/drums.py) hears them in a take as well. Its own times
are only as good as its frames and filters, so each of its strokes is moved to the attack found nearby.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pulsefind.core.nearest import nearest
from pulsefind.core.records import Audio, FloatArray
from pulsefind.listen.hits import find_hits
from pulsefind.take.records import TakeHits

KIND_OF_DRUM = {"bass drum": "kick", "snare": "snare", "tom": "snare", "hi-hat": "cymbal", "cymbal": "cymbal"}

LEAST_LOG_ODDS = {"kick": 0.0, "snare": 1.0, "cymbal": 0.0}
"""From these log odds on a drum was struck: the best of -1, 0, 1 and 2 for each kind on seven real takes, where F
within 30 ms hardly changed one step to either side (0.97, 0.94, 0.90; measured with `python -m eval take-strokes`; by
the rises alone 0.64 overall).
"""

FAINT_LOG_ODDS = 2.0
"""Up to this far below, it may have been a stroke, and is taken for one where the player keeps striking (judged)."""

SAME_ATTACK_S = 0.025
"""An attack this close is the stroke's own: half a network frame and the filters' delay, with room to spare
(judged).
"""

KNOWN_SHARE = 0.25
"""Where the network hears less than this share of the strokes that the rises name, it doesn't know that drum's sound
(judged).
"""


def with_kit(hits: TakeHits, audio: Audio) -> TakeHits:
    """Strokes found by their rises, renamed by the kit network; kinds that it doesn't know keep their names."""
    heard = find_hits(audio)
    attack_s = np.unique(np.r_[hits.time_s, hits.faint.time_s if hits.faint is not None else []])
    kind_of_sound = np.array([KIND_OF_DRUM.get(sound.drum, "") for sound in heard.sounds] or [""])
    kind = kind_of_sound[heard.sound] if len(heard.sound) else np.zeros(0, dtype=str)
    sure: list[tuple[float, str, float]] = []
    faint: list[tuple[float, str, float]] = []
    for name, least in LEAST_LOG_ODDS.items():
        member = np.flatnonzero(kind == name)
        struck = member[heard.log_odds[member] >= least]
        named = [k for k, plain in enumerate(hits.kind) if plain == name]
        if len(struck) < max(1, KNOWN_SHARE * len(named)):
            sure += [(float(hits.time_s[k]), name, float(hits.level[k])) for k in named]
            continue
        loud_db = float(np.percentile(heard.level_db[struck], 90))
        maybe = member[(heard.log_odds[member] < least) & (heard.log_odds[member] >= least - FAINT_LOG_ODDS)]
        for index, rows in ((struck, sure), (maybe, faint)):
            moved_s = _to_attacks(heard.time_s[index], attack_s)
            level = heard.level_db[index] - loud_db
            rows += [(float(t), name, float(db)) for t, db in zip(moved_s, level, strict=True)]
    if not sure:
        return hits
    return replace(_as_hits(_one_each(sure), hits), faint=_as_hits(_one_each(faint), hits))


def _to_attacks(time_s: FloatArray, attack_s: FloatArray) -> FloatArray:
    """(n,) times moved to the nearest attack, where one is near."""
    if not len(time_s) or not len(attack_s):
        return time_s
    near_s = attack_s[nearest(attack_s, time_s)]
    moved: FloatArray = np.where(np.abs(near_s - time_s) <= SAME_ATTACK_S, near_s, time_s)
    return moved


def _one_each(rows: list[tuple[float, str, float]]) -> list[tuple[float, str, float]]:
    """In order of time; of two strokes of one kind on one attack, the louder."""
    best: dict[tuple[float, str], float] = {}
    for time_s, kind, level in rows:
        key = (time_s, kind)
        best[key] = max(level, best.get(key, level))
    return sorted((time_s, kind, level) for (time_s, kind), level in best.items())


def _as_hits(rows: list[tuple[float, str, float]], like: TakeHits) -> TakeHits:
    time_s, level = np.array([row[0] for row in rows]), np.array([row[2] for row in rows])
    return TakeHits(time_s, tuple(row[1] for row in rows), level, "dB", like.duration_s, "audio", like.notes)
