"""Choosing between weights without the test recordings: held-out scores, rendered with new seeds.

`python -m eval train choose INGREDIENTS SONGS WEIGHTS ...`. Two sets: pop songs of POP909 that are no ingredient
(the recipe takes every second one), without drums; and songs of the recipe with seeds that no run uses.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from eval.train.composing import from_arrangement
from eval.train.ingredients import RATE_HZ, load, unused_arrangements
from eval.train.measuring import means, score, stock_decoder
from eval.train.performing import Performance, perform
from eval.train.rendering import Studio
from eval.train.songs import LENGTH_S, SongMaker
from pulsefind.core.records import Audio
from pulsefind.listen.network import pulse_activations, read_weights

_SEED = 4_000_000_000

Take = tuple[Audio, np.ndarray]


def _audio(stems: np.ndarray) -> Audio:
    return Audio(stems.astype(np.float32).sum(axis=0), RATE_HZ, None, 1, RATE_HZ, "")


def drumless_arrangements(ingredients: Path, songs: Path, count: int) -> Iterator[Take]:
    """Held-out pop songs on other instruments, without drums, from a bar somewhere in the song."""
    studio = Studio(load(ingredients), LENGTH_S)
    for k, song in enumerate(unused_arrangements(songs, count)):
        rng = np.random.default_rng(_SEED + k)
        bars = min(song.bars - 4, int(LENGTH_S * song.bpm / 60 / song.beats_per_bar))
        paper = from_arrangement(song, int(rng.integers(0, song.bars - bars)), bars, rng, None)
        played: Performance = perform(replace(paper, bpm=song.bpm), LENGTH_S, rng)
        yield _audio(studio.render(played, rng)), played.beats


def fresh_songs(ingredients: Path, count: int) -> Iterator[Take]:
    """Songs of the recipe in 3 or 4 beats a bar that no run has heard."""
    maker, made, seed = SongMaker(load(ingredients)), 0, _SEED
    while made < count:
        song = maker.make(seed)
        seed += 1
        if song.beats[:, 1].max() in (3, 4) and len(song.beats) > 12:
            made += 1
            yield _audio(song.stems / 32768), song.beats


def lines(ingredients: Path, songs: Path, weights: Sequence[Path], count: int) -> Iterator[str]:
    """A line for every set and weights file."""
    decoder = stock_decoder()
    for name, takes in (
        ("held-out pop, no drums", list(drumless_arrangements(ingredients, songs, count))),
        ("fresh songs", list(fresh_songs(ingredients, count))),
    ):
        for path in weights:
            read = read_weights(path)
            scores = [
                score(beats, np.asarray(decoder(pulse_activations(audio, read)), float).reshape(-1, 2), "")
                for audio, beats in takes
            ]
            yield f"{name:24} {path.name:14} {means(scores)}"
