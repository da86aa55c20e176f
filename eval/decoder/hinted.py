"""One hint at a 1: does it put the rest of the track right, and what happens with a wrong one?

The hint is the time of an annotated 1, drawn by a seed and moved by up to 150 ms either way, as if pressed by a person;
a wrong one is the time of an annotated beat that isn't a 1.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from eval.decoder.evidence import Evidence, evidence, figures
from eval.records import Track
from eval.scoring.metrics import MATCH_S
from pulsefind.beats.decode import decode
from pulsefind.core.records import Pulse, Settings

MOST_OFF_S = 0.15


@dataclass(frozen=True, slots=True)
class Hinted:
    """One track: scores (0..1) with a true hint; whether a wrong one was obeyed; which were said to disagree."""

    set_name: str
    beat_f: float
    downbeat_f: float
    true_disputed: bool
    wrong_obeyed: bool
    wrong_disputed: bool


def hinted(tracks: Iterable[Track], seed: int) -> Iterator[Hinted]:
    """Each track with bars and a beat that isn't a 1, with a true hint and with a wrong one."""
    for track in tracks:
        count = track.reference.count
        if count is None or not (count == 1).any() or not (count > 1).any():
            continue
        # By name: the same track gets the same hints whatever else is scored.
        rng = np.random.default_rng([seed, zlib.crc32(f"{track.set_name}/{track.name}".encode())])
        heard = evidence(track)
        ones, others = heard.track.reference.beat_s[count == 1], heard.track.reference.beat_s[count > 1]
        true_s = float(rng.choice(ones) + rng.uniform(-MOST_OFF_S, MOST_OFF_S))
        wrong_s = float(rng.choice(others))
        right, wrong = (_told(heard, at_s) for at_s in (true_s, wrong_s))
        values = figures(right, heard)
        yield Hinted(
            track.set_name,
            values["beat_f_70"] or 0.0,
            values["downbeat_f_70"] or 0.0,
            bool(right.warnings),
            _has_a_one_at(wrong, wrong_s - heard.start_s),
            bool(wrong.warnings),
        )


def _told(heard: Evidence, one_at_s: float) -> Pulse:
    """The pulse when a person says that there is a 1 at that time of the recording."""
    length_s = len(heard.heard.values) / heard.heard.frame_rate_hz
    at_s = float(np.clip(one_at_s - heard.start_s, 0.0, length_s))
    return decode(heard.heard, heard.harmony, replace(Settings(), one_at_s=at_s))


def _has_a_one_at(pulse: Pulse, time_s: float) -> bool:
    ones = pulse.time_s[pulse.count == 1]
    return bool(len(ones)) and float(np.abs(ones - time_s).min()) <= MATCH_S


def hint_table(found: Sequence[Hinted]) -> str:
    """Markdown, a row for each set."""
    lines = [
        "| set | beat F | downbeat F | difference | true hints disputed | wrong hints obeyed | wrong hints disputed |",
        "|---|---|---|---|---|---|---|",
    ]
    for name in dict.fromkeys(row.set_name for row in found):
        rows = [row for row in found if row.set_name == name]
        beat = 100 * float(np.mean([row.beat_f for row in rows]))
        downbeat = 100 * float(np.mean([row.downbeat_f for row in rows]))
        shares = [
            f"{sum(getattr(row, field) for row in rows)} of {len(rows)}"
            for field in ("true_disputed", "wrong_obeyed", "wrong_disputed")
        ]
        cells = [name, f"{beat:.1f}", f"{downbeat:.1f}", f"{downbeat - beat:+.1f}", *shares]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"
