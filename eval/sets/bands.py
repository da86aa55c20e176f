"""Songs of eval.train's song maker as a set: each instrument's onsets are known, with drums or without.

What counts in a guide's score, and what is asked of notes, was chosen on such songs (NOTES.md).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.sets.synthetic import write_audio
from eval.store import write_text
from eval.train.aims import AIMS
from eval.train.ingredients import RATE_HZ, Ingredients
from eval.train.performing import Performance
from eval.train.rendering import Studio
from eval.train.songs import LENGTH_S, SongMaker

FIRST_SEED = {"bands": 7001, "bands_drumless": 5001}
"""Where the seeds of each set begin, by its name."""

MIX = (1.0, 0.9, 0.8, 0.7)
"""Usual level of drums, bass, chords and lead, varied by LEVEL_DB (standard deviation)."""

LEVEL_DB = 2.5
SHORTEST_S = 20.0
_UNSTRUCK = frozenset({"pad", "strings", "voice"})
_SAME_CHORD_S = 0.025
_KIT = ("KD", "SD", "HH", "CY", "TT", "OT")


def write_bands(root: Path, name: str, n_songs: int, fonts: Sequence[Path] = ()) -> list[str]:
    """Write n songs in the plain layout below root / name and return their ids.

    With drums everything struck is in drums/, else in onsets/; without fonts all sounds are made by code.
    """
    folder, names = root / name, []
    for seed, song, stems in made_songs(name, n_songs, fonts):
        struck = "drums" if len(song.drums) else "onsets"
        names.append(f"{seed}_{song.style}")
        write_audio(folder / "audio" / f"{names[-1]}.flac", stems.sum(axis=0), RATE_HZ)
        write_text(folder / "beats" / f"{names[-1]}.beats", "".join(f"{t:.4f}\t{int(k)}\n" for t, k in song.beats))
        rows = sorted((float(t), kind) for kind, times in onsets(song).items() for t in times)
        write_text(folder / struck / f"{names[-1]}.txt", "".join(f"{t:.4f}\t{kind}\n" for t, kind in rows))
    return names


def made_songs(
    name: str, n_songs: int, fonts: Sequence[Path] = ()
) -> Iterator[tuple[int, Performance, NDArray[np.float64]]]:
    """Seeds, performances and stems (4, n) of the first n songs that have drums, or have none, and are long enough.

    The stems, those of eval.train.rendering.STEMS, add up to the mix.
    """
    ingredients = Ingredients(tuple(fonts), {}, (), ())
    maker, studio = SongMaker(ingredients, aim=AIMS["pulse"]), Studio(ingredients, LENGTH_S)
    made = 0
    for seed in count(FIRST_SEED[name]):
        if made == n_songs:
            return
        rng = np.random.default_rng(seed)
        song = maker.play(rng)
        if bool(len(song.drums)) == (name == "bands_drumless") or song.end_s < SHORTEST_S or not song.parts:
            continue
        made += 1
        stems = studio.render(song, rng)
        gain = np.array(MIX) * 10 ** (rng.normal(0, LEVEL_DB, len(MIX)) / 20)
        mixed = (stems * gain[:, None])[:, : int(song.end_s * RATE_HZ)]
        yield seed, song, 0.5 * mixed / np.abs(mixed.sum(axis=0)).max()


def onsets(song: Performance) -> dict[str, NDArray[np.float64]]:
    """Times at which each instrument that is struck, plucked or blown begins a note or a chord, and each drum."""
    found: dict[str, NDArray[np.float64]] = {}
    for part in song.parts:
        if part.family in _UNSTRUCK:
            continue
        time_s = np.unique(part.notes[part.notes[:, 0] < song.end_s, 0])
        name = f"{part.role}_{part.family}"
        name = name if name not in found else f"{name}_{len(found) + 1}"
        found[name] = time_s[np.r_[True, np.diff(time_s) > _SAME_CHORD_S]] if len(time_s) else time_s
    for k, kind in enumerate(_KIT):
        found[kind] = np.sort(song.hits[song.hits[:, 1] == k, 0])
    return {name: time_s for name, time_s in found.items() if len(time_s)}
