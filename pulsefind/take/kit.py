"""Strokes named and timed by the take network, with the attacks in which it names nothing kept as faint.

The rises of eight bands find every attack, but a gated room or a ringing snare rises too, and a snare in a big room
looks like a kick. The network that was taught drums alone (take/ear.py) hears each drum for itself, so that two drums
struck together have a time each. An attack in which it names nothing may still be a soft stroke under a ringing one:
the player's own pattern decides (faint).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pulsefind.core.nearest import distance, nearest
from pulsefind.core.records import Audio, FloatArray
from pulsefind.take.attacks import BAND_HZ, begun_s
from pulsefind.take.doubt import SAME_ATTACK_S, SURE_LOG_ODDS, UNNAMED_LOG_ODDS, Stroke, by_both
from pulsefind.take.ear import hear
from pulsefind.take.records import TakeHits

STRUCK_LOG_ODDS = 0.0
"""From these log odds on a drum was struck: what the network itself takes to be likelier than not (measured: on made
takes in rooms, of drummers and kits that it never heard, F is within 0.02 of the best that any threshold gives,
eval/take/NOTES.md).
"""

DOUBTFUL_LOG_ODDS = -3.0
"""What is heard from these log odds on is kept as doubtful (judged)."""


def with_kit(hits: TakeHits, audio: Audio) -> TakeHits:
    """Strokes found by their rises, named and timed anew by the take network.

    Kinds of which it hears nothing stay as they are.
    """
    sure: list[Stroke] = []
    half: list[Stroke] = []
    doubtful: list[Stroke] = []
    attacks = _rows(hits) + (_rows(hits.faint) if hits.faint is not None else [])
    known = set()
    for name, peaks in hear(audio).items():
        struck = np.flatnonzero(peaks.log_odds >= STRUCK_LOG_ODDS)
        if not len(struck):
            sure += [row for row in _rows(hits) if row[1] == name]
            doubtful += [row for row in attacks[len(hits.time_s) :] if row[1] == name]
            continue
        known.add(name)
        loud_db = float(np.percentile(peaks.level_db[struck], 90))
        maybe = np.flatnonzero((peaks.log_odds < STRUCK_LOG_ODDS) & (peaks.log_odds >= DOUBTFUL_LOG_ODDS))
        for index, rows in ((struck, sure), (maybe, half)):
            time_s = _to_attacks(peaks.time_s[index], hits) if name == "kick" else peaks.time_s[index]
            time_s = begun_s(audio, time_s, name) if name in BAND_HZ else time_s
            level = peaks.level_db[index] - loud_db
            odds = peaks.log_odds[index]
            rows += [(float(t), name, float(db), float(o)) for t, db, o in zip(time_s, level, odds, strict=True)]
    if not sure:
        return hits
    doubtful += by_both(half, sure, attacks) + _unnamed([row for row in attacks if row[1] in known], sure + half)
    sure += [row for row in doubtful if row[3] >= SURE_LOG_ODDS]
    faint = [row for row in doubtful if row[3] < SURE_LOG_ODDS]
    return replace(_as_hits(_one_each(sure), hits), faint=_as_hits(_one_each(faint), hits))


def _to_attacks(time_s: FloatArray, hits: TakeHits) -> FloatArray:
    """(n,) times moved to the nearest attack, where one is close: a kick's narrow band rises early."""
    attack_s = np.unique(np.r_[hits.time_s, hits.faint.time_s if hits.faint is not None else []])
    if not len(time_s) or not len(attack_s):
        return time_s
    near_s = attack_s[nearest(attack_s, time_s)]
    moved: FloatArray = np.where(np.abs(near_s - time_s) <= SAME_ATTACK_S, near_s, time_s)
    return moved


def _rows(hits: TakeHits) -> list[Stroke]:
    log_odds = np.zeros(len(hits.time_s)) if hits.log_odds is None else hits.log_odds
    return list(zip(hits.time_s.tolist(), hits.kind, hits.level.tolist(), log_odds.tolist(), strict=True))


def _unnamed(attacks: list[Stroke], named: list[Stroke]) -> list[Stroke]:
    """The attacks beside which the network named nothing, not even faintly."""
    if not attacks:
        return []
    away_s = distance(np.unique([row[0] for row in named]), np.array([row[0] for row in attacks]))
    return [
        (*attack[:3], min(attack[3], UNNAMED_LOG_ODDS))
        for attack, away in zip(attacks, away_s, strict=True)
        if away > SAME_ATTACK_S
    ]


def _one_each(rows: list[Stroke]) -> list[Stroke]:
    """In order of time; of two strokes of one kind on one attack, the louder."""
    kept: list[Stroke] = []
    last: dict[str, int] = {}
    for row in sorted(rows):
        before = last.get(row[1])
        if before is not None and row[0] - kept[before][0] < SAME_ATTACK_S:
            if row[2] > kept[before][2]:
                kept[before] = row
            continue
        last[row[1]] = len(kept)
        kept.append(row)
    return sorted(kept)


def _as_hits(rows: list[Stroke], like: TakeHits) -> TakeHits:
    time_s, level = np.array([row[0] for row in rows]), np.array([row[2] for row in rows])
    kind, log_odds = tuple(row[1] for row in rows), np.array([row[3] for row in rows])
    return TakeHits(time_s, kind, level, "dB", like.duration_s, "audio", like.notes, log_odds=log_odds)
