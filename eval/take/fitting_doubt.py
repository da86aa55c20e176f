"""Fits how likely a doubtful stroke was played (take/doubt.py): `python -m eval take-fit doubt [--font FILE]`.

Human performances (Groove MIDI), none of them among those of `eval take audio`, are rendered on the kit made by code
and, if a SoundFont is given, on one of its kits. What the take command weighs is read as it weighs it: attacks beside
which the network names nothing, and drums that it half hears with nothing else beside. Each was played if any stroke
lies within 25 ms. Two logistic regressions, both kits counted alike, give the weights; log loss is told for drummers
left out. Then other performances are reviewed as sound with the code's weights and with the fitted ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from eval.take.fitting import on_font
from eval.take.groove import click_track, groove_folder, performances, strokes_difference
from eval.take.kit_sound import RATE_HZ, render
from eval.take.tables import table
from eval.train.rendering import player
from pulsefind.core.nearest import distance
from pulsefind.core.records import Analysis
from pulsefind.listen.audio import from_samples
from pulsefind.take import doubt, kit
from pulsefind.take.doubt import RISE_LOG_ODDS, SAME_ATTACK_S, Stroke, own_attacks
from pulsefind.take.midi import read_midi_take
from pulsefind.take.records import TakeError, TakeHits
from pulsefind.take.strokes import strokes_heard

TESTED = 40
"""So many performances, drawn with seed 1, are those of `eval take audio`: nothing is fitted to them."""

LONGEST_S = 90.0  # judged: more drummers in the same time
_SEED = 77  # judged: which of the others are drawn
_HISS = 10 ** (-45 / 20)  # judged: a cheap microphone's, in a third of the SoundFont's performances

FloatArray = NDArray[np.float64]
Performance = tuple[Path, float, int, int]


@dataclass(frozen=True)
class Rendered:
    """A performance on one kit: its notes, its sound (n,) at RATE_HZ, and the click that it was played to."""

    kit: str
    drummer: str
    hits: TakeHits
    sound: FloatArray
    click: Analysis


@dataclass(frozen=True)
class Doubtful:
    """What was weighed in one performance on one kit, and whether it was played.

    alone (n, 2): score of an attack beside which nothing is named, and 1 if it was played. both (m, 3): the network's
    log odds over the least, the score of the attack beside, and 1 if it was played.
    """

    kit: str
    drummer: str
    alone: FloatArray
    both: FloatArray


@dataclass(frozen=True)
class Weights:
    """The constants of take/doubt.py."""

    rise: tuple[float, float]
    both: float
    of_network: float
    of_attack: float

    def of_alone(self, rows: FloatArray) -> FloatArray:
        """(n,) log odds of attacks by themselves."""
        log_odds: FloatArray = self.rise[0] + self.rise[1] * rows[:, 0]
        return log_odds

    def of_both(self, rows: FloatArray) -> FloatArray:
        """(n,) log odds of half heard drums."""
        attack = self.rise[0] + self.rise[1] * rows[:, 1]
        log_odds: FloatArray = self.both + self.of_network * rows[:, 0] + self.of_attack * attack
        return log_odds


BY_CODE = Weights(RISE_LOG_ODDS, doubt.BOTH_LOG_ODDS, doubt.OF_NETWORK, doubt.OF_ATTACK)


def fit(font: Path | None, takes: int) -> None:
    """Fit, report and print."""
    chosen = drawn(takes + takes // 2)
    heard = list(heard_of(chosen[:takes], font))
    weights = fit_weights(heard)
    print(_loss_table(heard, weights))
    print(_review_table(chosen[takes:], font, weights))
    print(f"RISE_LOG_ODDS = ({weights.rise[0]:.2f}, {weights.rise[1]:.2f})")
    print(
        f"BOTH_LOG_ODDS, OF_NETWORK, OF_ATTACK = {weights.both:.2f}, {weights.of_network:.2f}, {weights.of_attack:.2f}"
    )


def drawn(n: int) -> list[Performance]:
    """n performances of at most LONGEST_S, none of them among the TESTED."""
    folder = groove_folder()
    assert folder is not None
    tested = {path for path, *_ in performances(folder, TESTED, seed=1)}
    return [row for row in performances(folder, 400, seed=_SEED, longest_s=LONGEST_S) if row[0] not in tested][:n]


def heard_of(chosen: list[Performance], font: Path | None) -> list[Doubtful]:
    """What is in doubt in each performance on each kit."""
    return [doubtful(r.kit, r.drummer, r.hits.time_s, *weighed(r.sound)) for r in rendered(chosen, font)]


def rendered(chosen: list[Performance], font: Path | None) -> Iterator[Rendered]:
    """Every performance on every kit."""
    synth = player(font, RATE_HZ) if font is not None else None
    for index, (path, bpm, beats, unit) in enumerate(chosen):
        hits = read_midi_take(path)
        drummer = next(part for part in path.parts if part.startswith("drummer"))
        click = click_track(bpm, beats, unit, hits.duration_s)
        yield Rendered("made", drummer, hits, render(hits, np.random.default_rng(5000 + index)), click)
        if synth is not None:
            rng = np.random.default_rng(6000 + index)
            sound = on_font(hits, synth, rng)
            hiss = _HISS * rng.normal(size=len(sound)) if index % 3 == 2 else 0.0
            yield Rendered("font", drummer, hits, sound + hiss, click)


def weighed(sound: FloatArray) -> tuple[list[Stroke], list[Stroke], list[Stroke]]:
    """What the take command weighs in a sound: drums half heard, drums surely struck, and all attacks."""
    with patch.object(kit, "by_both", wraps=doubt.by_both) as weigh:
        strokes_heard(from_samples(sound, RATE_HZ))
    return weigh.call_args.args if weigh.called else ([], [], [])


def doubtful(
    name: str, drummer: str, played_s: FloatArray, half: list[Stroke], sure: list[Stroke], attacks: list[Stroke]
) -> Doubtful:
    """Label what was weighed by the notes (n,) that were played."""
    named_s = np.unique([row[0] for row in sure + half])
    attack_s = np.array([row[0] for row in attacks])
    free = distance(named_s, attack_s) > SAME_ATTACK_S if len(named_s) and len(attacks) else np.ones(len(attacks), bool)
    alone = [(row[0], score_of(row[3])) for row, is_free in zip(attacks, free, strict=True) if is_free]
    own = zip(sorted(half), own_attacks(half, sure, attacks), strict=True)
    both = [(row[0], row[3], score_of(attack)) for row, attack in own if attack is not None]
    return Doubtful(name, drummer, _labelled(alone, 2, played_s), _labelled(both, 3, played_s))


def score_of(log_odds: float) -> float:
    """The score of an attack from its log odds: what by_rises made of it, undone."""
    return (log_odds - RISE_LOG_ODDS[0]) / RISE_LOG_ODDS[1]


def _labelled(rows: Sequence[tuple[float, ...]], width: int, played_s: FloatArray) -> FloatArray:
    table_of = np.array(rows, dtype=np.float64).reshape(-1, width)
    played = distance(np.unique(played_s), table_of[:, 0]) <= SAME_ATTACK_S
    labelled: FloatArray = np.c_[table_of[:, 1:], played]
    return labelled


def fit_weights(heard: list[Doubtful]) -> Weights:
    """Two logistic regressions without a penalty, every kit of the same weight."""
    rise = _regressed([h.alone for h in heard], [h.kit for h in heard])
    both = _regressed([h.both for h in heard], [h.kit for h in heard])
    of_attack = both[2] / rise[1]
    return Weights((rise[0], rise[1]), both[0] - of_attack * rise[0], both[1], of_attack)


def _regressed(rows: list[FloatArray], kits: list[str]) -> list[float]:
    """Intercept and slopes for the last column's odds."""
    from sklearn.linear_model import LogisticRegression

    size = {name: sum(len(r) for r, k in zip(rows, kits, strict=True) if k == name) for name in kits}
    weight = np.concatenate([np.full(len(r), 1 / max(1, size[k])) for r, k in zip(rows, kits, strict=True)])
    all_rows = np.vstack(rows)
    model = LogisticRegression(C=np.inf, max_iter=1000)
    model.fit(all_rows[:, :-1], all_rows[:, -1], sample_weight=weight / weight.mean())
    return [float(model.intercept_[0]), *(float(slope) for slope in model.coef_[0])]


def _loss_table(heard: list[Doubtful], weights: Weights) -> str:
    """Log loss with the code's weights, as fitted to all, and as fitted to all other drummers."""
    left_out = {name: fit_weights([h for h in heard if h.drummer != name]) for name in {h.drummer for h in heard}}
    rows: list[tuple[object, ...]] = []
    for name in sorted({h.kit for h in heard}):
        here = [h for h in heard if h.kit == name]
        used = ([BY_CODE] * len(here), [weights] * len(here), [left_out[h.drummer] for h in here])
        alone = [[w.of_alone(h.alone) for w, h in zip(each, here, strict=True)] for each in used]
        both = [[w.of_both(h.both) for w, h in zip(each, here, strict=True)] for each in used]
        for what, played, odds in (
            ("attacks alone", [h.alone[:, -1] for h in here], alone),
            ("half heard", [h.both[:, -1] for h in here], both),
        ):
            truth = np.concatenate(played)
            losses = [f"{loss(np.concatenate(each), truth):.4f}" for each in odds]
            rows.append((f"{what}, {name} kit", len(truth), 100 * float(truth.mean()), *losses))
    title = f"What is in doubt, {len(left_out)} drummers: log loss a stroke"
    return table(title, ("", "n", "played, %", "code", "fitted", "fitted to other drummers"), rows)


def loss(log_odds: FloatArray, truth: FloatArray) -> float:
    """Mean negative log likelihood of 0 and 1 (n,)."""
    return float(np.mean(np.logaddexp(0.0, log_odds) - truth * log_odds))


def _review_table(chosen: list[Performance], font: Path | None, fitted: Weights) -> str:
    found: dict[tuple[str, str], list[tuple[float, ...]]] = {}
    for take in rendered(chosen, font):
        for rule, weights in (("code", BY_CODE), ("fitted", fitted)):
            row = _reviewed(take, weights)
            if row is not None:
                found.setdefault((take.kit, rule), []).append(row)
    rows: list[tuple[object, ...]] = []
    for (name, rule), values in found.items():
        d = np.array(values)
        shares = (100 * float(d[:, 2].mean()), 100 * float(d[:, 3].mean()))
        near = (np.abs(d[:, 0]) <= 3) & (np.abs(d[:, 1]) <= 2) & (d[:, 2] >= 0.97)
        rows.append((f"{name} kit, {rule}", len(d), *shares, int((d[:, 2] >= 0.97).sum()), int(near.sum())))
    head = ("weights", "performances", "matched, %", "heard, not played, %", "97 % matched", "all three figures")
    return table("Whole reviews of performances that nothing was fitted to", head, rows)


def _reviewed(take: Rendered, weights: Weights) -> tuple[float, ...] | None:
    with patch.multiple(
        doubt,
        RISE_LOG_ODDS=weights.rise,
        BOTH_LOG_ODDS=weights.both,
        OF_NETWORK=weights.of_network,
        OF_ATTACK=weights.of_attack,
    ):
        try:
            return strokes_difference(take.hits, take.click, strokes_heard(from_samples(take.sound, RATE_HZ)))
        except TakeError:
            return None
