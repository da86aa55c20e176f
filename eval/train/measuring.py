"""A weights file on annotated recordings: beats and downbeats through one and the same stock decoder.

`python -m eval train measure WEIGHTS DATA [--activations FOLDER] [--sets ...]`; with --activations, stored
activations of the stock networks (FOLDER/<set>__<id>.npy at 100 frames a second) are decoded instead.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import soundfile
from numpy.typing import NDArray

from pulsefind.core.records import Audio
from pulsefind.listen.madmom_name import madmom_can_be_imported
from pulsefind.listen.network import Weights, pulse_activations, read_weights

SETS = ("band", "band_drumless", "metal", "groove_render", "arranger_render")


@dataclass(frozen=True, slots=True)
class Score:
    """Figures of one recording in percent; untrimmed."""

    name: str
    beat_f: float
    cmlt: float
    amlt: float
    downbeat_f: float

    @property
    def off(self) -> bool:
        """Whether the beats are read in another octave or on the wrong half: the wrong level, not noise."""
        return self.beat_f < 80


def stock_decoder() -> Any:
    """madmom's dynamic Bayesian network for 3 and 4 beats a bar."""
    with madmom_can_be_imported():
        from madmom.features.downbeats import DBNDownBeatTrackingProcessor
    return DBNDownBeatTrackingProcessor(beats_per_bar=[3, 4], fps=100)


def recording(path: Path) -> Audio:
    """A recording mixed to mono at its own rate."""
    samples, rate_hz = soundfile.read(path, always_2d=True, dtype="float32")
    return Audio(samples.mean(axis=1), rate_hz, path, samples.shape[1], rate_hz, "")


def score(truth: NDArray[np.float64], found: NDArray[np.float64], name: str) -> Score:
    """Compare (n, 2) arrays of time_s and count with mir_eval."""
    beat = mir_eval.beat
    _, cmlt, _, amlt = beat.continuity(truth[:, 0], found[:, 0])
    ones = [rows[rows[:, 1] == 1, 0] for rows in (truth, found)]
    parts = (beat.f_measure(truth[:, 0], found[:, 0]), cmlt, amlt, beat.f_measure(*ones))
    return Score(name, *(100 * float(p) for p in parts))


def measure(data: Path, subset: str, weights: Weights, stored: Path | None) -> list[Score]:
    """Scores of every recording of a set."""
    decoder, scores = stock_decoder(), []
    for annotation in sorted((data / subset / "beats").glob("*.beats")):
        if stored is not None:
            values = np.load(stored / f"{subset}__{annotation.stem}.npy")
        else:
            sound = next((data / subset / "audio").glob(f"{annotation.stem}.*"))
            values = pulse_activations(recording(sound), weights)
        found = np.asarray(decoder(values), float).reshape(-1, 2)
        scores.append(score(np.loadtxt(annotation, ndmin=2), found, annotation.stem))
    return scores


def means(scores: list[Score]) -> str:
    """Means of beat F, CMLt, AMLt and downbeat F, and how many were read at a wrong level."""
    beat, cmlt, amlt, downbeat = (
        float(np.mean([getattr(s, name) for s in scores])) for name in ("beat_f", "cmlt", "amlt", "downbeat_f")
    )
    return (
        f"{beat:5.1f} / {cmlt:5.1f} / {amlt:5.1f}, {downbeat:5.1f}  {sum(s.off for s in scores)} of {len(scores)} off"
    )


def lines(weights: Path, data: Path, activations: Path | None, subsets: Sequence[str], each: bool) -> Iterator[str]:
    """A line a set, and with `each` one for every recording before it."""
    for subset in subsets:
        scores = measure(data, subset, read_weights(weights), activations)
        for s in scores if each else []:
            yield f"  {s.name[:44]:44} {s.beat_f:5.1f} / {s.cmlt:5.1f} / {s.amlt:5.1f}, {s.downbeat_f:5.1f}"
        yield f"{subset:16} {means(scores)}"
