"""A listening test without ears: is what `hear` lifts out of a track more the guide's instrument than all the rest?

Made songs whose stems are known (eval.sets.bands) are analysed from their mix. What is lifted out for a guide is
correlated, sample by sample, with the stem it belongs to and with the sum of the others. A drum belongs to the drums
and a bass to the bass; where the name leaves it open, the guide belongs to the stem whose onsets agree best with its
hits (F within HIT_WINDOW_S): one of bass, chords and lead for "guitar or keys", any for untaught sounds. For
comparison, the same with the mix itself.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import mir_eval
import numpy as np
from numpy.typing import NDArray

from eval.sets.bands import made_songs, onsets
from eval.sets.synthetic import write_audio
from eval.train.ingredients import RATE_HZ
from eval.train.performing import Performance
from eval.train.rendering import STEMS
from pulsefind import Settings, analyse
from pulsefind.core.records import Guide
from pulsefind.practice.isolate import lifted_out
from pulsefind.practice.spool import spooled

Samples = NDArray[np.float64]

GUIDES = 3
"""How many of a song's first guides are examined."""

HIT_WINDOW_S = 0.05


@dataclass(frozen=True, slots=True)
class Listened:
    """One guide of a song: its rank (0: the first), the kind of its sound, and the stem that it belongs to.

    own, rest: correlation of what is lifted out with that stem and with the sum of the others; mix_own, mix_rest: the
    same for the mix itself.
    """

    rank: int
    kind: str
    stem: str
    own: float
    rest: float
    mix_own: float
    mix_rest: float


def listened(name: str, n_songs: int, fonts: Sequence[Path] = ()) -> Iterator[Listened]:
    """The first guides of each of n made songs of a set ("bands" or "bands_drumless"), on our network's beats."""
    for _, song, stems in made_songs(name, n_songs, fonts):
        with tempfile.TemporaryDirectory(prefix="pulsefind-eval-") as folder:
            path = Path(folder) / "song.wav"
            write_audio(path, stems.sum(axis=0), RATE_HZ)
            guides = analyse(path, Settings(network="own", use_cache=False)).guides[:GUIDES]
            lifted = [_lifted(path, guide) for guide in guides]
        for rank, (guide, sound) in enumerate(zip(guides, lifted, strict=True)):
            row = belongs_to(guide, song)
            own, rest = likeness(sound, stems, row)
            mix_own, mix_rest = likeness(stems.sum(axis=0), stems, row)
            kind = "drum" if guide.sound.drum else guide.sound.instrument or "untaught"
            yield Listened(rank, kind, STEMS[row], own, rest, mix_own, mix_rest)


def _lifted(path: Path, guide: Guide) -> Samples:
    """(n,) what is lifted out for the guide, at RATE_HZ."""
    with spooled(path, None, None, 1.0) as spool:
        sound = np.concatenate(list(lifted_out(spool, guide)))[:, 0]
        return np.asarray(sound[:: spool.rate_hz // RATE_HZ], np.float64)


def belongs_to(guide: Guide, song: Performance) -> int:
    """The row of the stem that a guide belongs to."""
    if guide.sound.drum:
        return STEMS.index("drums")
    if guide.sound.instrument == "bass":
        return STEMS.index("bass")
    rows = range(1 if guide.sound.instrument else 0, len(STEMS))
    struck_s = guide.hits.time_s[guide.hits.on_pattern]
    return max(rows, key=lambda row: _agreement(struck_s, song, STEMS[row]))


def _agreement(struck_s: Samples, song: Performance, stem: str) -> float:
    """The best F of the hits with the onsets of an instrument, or a drum, of the stem; 0 without any."""
    of_stem = [time_s for name, time_s in onsets(song).items() if _stem_of(name) == stem]
    return max((float(mir_eval.onset.f_measure(t, struck_s, HIT_WINDOW_S)[0]) for t in of_stem), default=0.0)


def _stem_of(name: str) -> str:
    role = name.split("_", maxsplit=1)[0]
    return role if role in STEMS else "drums"


def likeness(sound: Samples, stems: Samples, row: int) -> tuple[float, float]:
    """How a sound (n,) correlates with one of the stems (k, n) and with the sum of the others; 0 with silence."""
    n = min(len(sound), stems.shape[1])
    rest = np.delete(stems, row, axis=0).sum(axis=0)
    return _correlation(sound[:n], stems[row, :n]), _correlation(sound[:n], rest[:n])


def _correlation(a: Samples, b: Samples) -> float:
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 0 else 0.0
