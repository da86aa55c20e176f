"""Made takes: songs of eval.train's song maker, the drums of each as a take, all else as the track to play to.

Settings are chosen with these in view, so that the real takes remain a test. Take and track come from one performance,
so an unchanged take starts at 0.000 s on the track's clock. Every instrument wanders with the band and has its own lag
and unevenness; if a folder of human drumming is given, people play some of the drums.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.sets.bands import LEVEL_DB, MIX, SHORTEST_S, onsets
from eval.sets.synthetic import write_audio
from eval.store import write_text
from eval.train.aims import AIMS
from eval.train.ingredients import RATE_HZ, Ingredients, read_grooves
from eval.train.performing import Performance
from eval.train.rendering import Studio
from eval.train.songs import LENGTH_S, SongMaker

TAKES, TRACKS, SONGS = "made_takes", "made_tracks", "made_songs"
FEWEST_OF_KIT = 24
"""A drum part with fewer strokes of kick and snare together isn't a take of a kit."""

Stems = NDArray[np.float64]


def write_takes(
    root: Path, n_songs: int, first_seed: int, fonts: Sequence[Path] = (), grooves: Path | None = None
) -> list[str]:
    """Write n takes, their tracks and the strokes below root, as the real sets lie, and return their names."""
    names = []
    for seed, song, stems in made_takes(n_songs, first_seed, fonts, grooves):
        names.append(f"{seed}_{song.style}")
        write_audio(root / TAKES / "audio" / f"{names[-1]}.flac", stems[0], RATE_HZ)
        write_audio(root / TRACKS / "audio" / f"{names[-1]}.flac", stems[1:].sum(axis=0), RATE_HZ)
        rows = sorted((float(t), kind) for kind, times in onsets(song).items() if kind.isupper() for t in times)
        write_text(root / SONGS / "drums" / f"{names[-1]}.txt", "".join(f"{t:.4f}\t{kind}\n" for t, kind in rows))
    return names


def made_takes(
    n_songs: int, first_seed: int, fonts: Sequence[Path] = (), grooves: Path | None = None
) -> Iterator[tuple[int, Performance, Stems]]:
    """Seeds, performances and stems (4, n), the drums first, of n songs of a full band, from a first seed on."""
    played = tuple(read_grooves(grooves)) if grooves is not None else ()
    ingredients = Ingredients(tuple(fonts), {}, played, ())
    maker, studio = SongMaker(ingredients, aim=AIMS["pulse"]), Studio(ingredients, LENGTH_S)
    made = 0
    for seed in count(first_seed):
        if made == n_songs:
            return
        rng = np.random.default_rng(seed)
        song = maker.play(rng)
        if np.sum(song.hits[:, 1] <= 1) < FEWEST_OF_KIT or song.end_s < SHORTEST_S or not song.parts:
            continue
        made += 1
        stems = studio.render(song, rng)
        gain = np.array(MIX) * 10 ** (rng.normal(0, LEVEL_DB, len(MIX)) / 20)
        mixed = (stems * gain[:, None])[:, : int(song.end_s * RATE_HZ)]
        # Take and track are two files, each at a level of its own.
        mixed[0] *= 0.5 / max(float(np.abs(mixed[0]).max()), 1e-9)
        mixed[1:] *= 0.5 / max(float(np.abs(mixed[1:].sum(axis=0)).max()), 1e-9)
        yield seed, song, mixed
