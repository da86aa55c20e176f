"""What each kind of the decoder's evidence is worth: decoding without it, on real and rendered sets separately.

Evidence is removed from the decoder's input; priors are passed to it as a record.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from eval.decoder.evidence import FIGURES, Evidence, evidence, figures
from eval.records import Track
from pulsefind.beats.counting import METERS, USUAL_PRIORS, CountPriors
from pulsefind.beats.decode import decode
from pulsefind.core.records import Activations, Harmony, Settings

Given = tuple[Activations, Harmony]

ALL = "all of it"


def _as_heard(heard: Evidence) -> Given:
    return heard.heard, heard.harmony


def _no_downbeats(heard: Evidence) -> Given:
    return replace(heard.heard, downbeat_log_odds=np.zeros(len(heard.heard.values))), heard.harmony


def _no_harmony(heard: Evidence) -> Given:
    return heard.heard, Harmony(np.zeros((0, 24)), heard.harmony.frame_rate_hz)


def _no_reader(heard: Evidence) -> Given:
    return replace(heard.heard, struck=heard.heard.struck[:0]), heard.harmony


@dataclass(frozen=True, slots=True)
class Without:
    """One kind of evidence removed: what the decoder is given instead, and its priors."""

    name: str
    given: Callable[[Evidence], Given] = _as_heard
    priors: CountPriors = USUAL_PRIORS


VARIANTS = (
    Without(ALL),
    Without("the network's downbeats", _no_downbeats),
    Without("harmony", _no_harmony),
    Without("the reader of bars", _no_reader),
    Without(
        "the half by the bass",
        lambda heard: (replace(heard.heard, phase_log_odds=heard.half_by_whole), heard.harmony),
    ),
    Without(
        "the half by the whole",
        lambda heard: (replace(heard.heard, phase_log_odds=heard.half_by_bass), heard.harmony),
    ),
    Without(
        "the better half",
        lambda heard: (replace(heard.heard, phase_log_odds=np.zeros(len(heard.heard.values))), heard.harmony),
    ),
    Without("how common each meter is", priors=CountPriors(meter=dict.fromkeys(METERS, 1 / len(METERS)))),
    Without("a bar of two thrown in", priors=CountPriors(thrown_in=0.0)),
)


@dataclass(frozen=True, slots=True)
class Score:
    """The figures (0..1, or None) of one track without one kind of evidence."""

    kind: str
    without: str
    values: dict[str, float | None]


def scores(tracks: Iterable[Track], variants: Sequence[Without] = VARIANTS) -> Iterator[Score]:
    """Each track without each kind of evidence in turn."""
    for track in tracks:
        heard = evidence(track)
        for variant in variants:
            pulse = decode(*variant.given(heard), Settings(), variant.priors)
            yield Score(track.kind, variant.name, figures(pulse, heard))


def ablation_table(found: Sequence[Score]) -> str:
    """Markdown: the figures with all evidence in percent, then by how many points each moves without one kind."""
    kinds = list(dict.fromkeys(score.kind for score in found))
    counts = {kind: sum(s.kind == kind and s.without == ALL for s in found) for kind in kinds}
    heads = [f"{kind} ({counts[kind]}): {title}" for kind in kinds for title in FIGURES.values()]
    lines = ["| without | " + " | ".join(heads) + " |", "|---" * (1 + len(heads)) + "|"]
    whole = {(kind, name): _mean(found, kind, ALL, name) for kind in kinds for name in FIGURES}
    for without in dict.fromkeys(score.without for score in found):
        cells = []
        for (kind, name), usual in whole.items():
            value = _mean(found, kind, without, name)
            if value is None or usual is None:
                cells.append("-")
            else:
                cells.append(f"{100 * value:.1f}" if without == ALL else f"{100 * (value - usual):+.1f}")
        lines.append("| " + " | ".join(["nothing: " + ALL if without == ALL else without, *cells]) + " |")
    return "\n".join(lines) + "\n"


def _mean(found: Sequence[Score], kind: str, without: str, name: str) -> float | None:
    values = [
        value
        for score in found
        if score.kind == kind and score.without == without and (value := score.values[name]) is not None
    ]
    return float(np.mean(values)) if values else None
