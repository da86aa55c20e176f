"""Fits what tells strokes and kinds of a recorded take: `python -m eval take-fit [--font FILE]`.

Human performances (Groove MIDI) are rendered to sound, so that every stroke is known: on the kit made by code and, if a
SoundFont is given, on one of its kits; a third of those also under hiss. The weights of rises (take/strokes.py) come
from logistic regression without negative weights, those of kinds (take/kinds.py) from multinomial logistic regression.
Fitted on some drummers' performances, reported on the others', next to what the code has now; the constants are printed
as the code writes them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.take.groove import groove_folder, performances, strokes_of
from eval.take.kit_sound import RATE_HZ, render
from eval.take.tables import table
from eval.train.rendering import played, player
from pulsefind.listen.audio import from_samples
from pulsefind.take import kinds as take_kinds
from pulsefind.take import strokes as take_hits
from pulsefind.take.kinds import COMBINATIONS, FAINT_DB, kinds_of
from pulsefind.take.midi import read_midi_take
from pulsefind.take.records import TakeHits

FITTED_DRUMMERS = ("drummer3", "drummer5", "drummer7", "drummer9")
FALSE_SHARE = 0.0075
"""The least score is the one at which this share of what is heard on the made kit wasn't played (judged)."""

ONE_DRUM = 0.5
"""Log odds by which one drum is favoured over several (judged): a kick called a kick is worth more."""

_NEAR_S, _FAR_S = 0.012, 0.03
_SAME_S = 0.025
_KITS = (0, 8, 16, 24, 25, 32, 40)
_NOTES = {"kick": 36, "snare": 38, "tom": 45, "other": 39}
_HATS, _CYMBALS = (42, 42, 46), (51, 59, 49)
_RARE = 0.5
_HISS = 10 ** (-45 / 20)

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Heard:
    """One performance on one kit: its strokes, and every candidate for one.

    rise_db and gained_db (n, 8), time_s (n,); strokes are lists of note times, sounding what each of them is made of.
    """

    kit: str
    strokes: list[list[float]]
    sounding: list[tuple[str, ...]]
    time_s: FloatArray
    rise_db: FloatArray
    gained_db: FloatArray

    def away_s(self) -> FloatArray:
        """(n,) how far each candidate is from the nearest note."""
        notes = np.array([t for stroke in self.strokes for t in stroke])
        return np.array([np.abs(notes - t).min() for t in self.time_s])


def fit(font: Path | None, takes: int) -> None:
    """Fit, report and print."""
    fitted = heard_of(takes, font, held_out=False)
    held = heard_of(2 * takes // 3, font, held_out=True)
    weight = fit_rises(fitted)
    least = least_score(fitted, weight)
    slope, bend, bias = fit_kinds(fitted, weight, least)
    print(_rises_table(fitted, held, weight, least))
    print(_kinds_table(fitted, held, slope, bend, bias))
    print("RISE_WEIGHTS =", tuple(round(float(w), 2) for w in weight))
    print("LEAST_SCORE =", round(least, 2))
    for name, rows in (("SLOPE", slope), ("BEND", bend)):
        print(f"{name} = (", *(f"    {tuple(round(float(v), 3) for v in row)}," for row in rows), ")", sep="\n")
    print("BIAS =", tuple(round(float(v), 2) for v in bias))


def heard_of(n: int, font: Path | None, held_out: bool) -> list[Heard]:
    """Up to n performances of at most 110 s by the drummers fitted to, or by all others, on each kit."""
    folder = groove_folder()
    assert folder is not None
    synth = player(font, RATE_HZ) if font is not None else None
    found: list[Heard] = []
    for index, path in enumerate(chosen(folder, n, held_out)):
        hits = read_midi_take(path)
        rng = np.random.default_rng(index + 1000 * held_out)
        found.append(listen("made", hits, render(hits, rng)))
        if synth is not None:
            sound = on_font(hits, synth, rng)
            found.append(listen("font", hits, sound + (_HISS * rng.normal(size=len(sound)) if index % 3 == 2 else 0)))
    return found


def chosen(folder: Path, n: int, held_out: bool) -> list[Path]:
    """Up to n performances of at most 110 s by the drummers fitted to, or by all others."""
    return [p for p, *_ in performances(folder, 400, seed=5, longest_s=110.0) if _by_fitted(p) != held_out][:n]


def _by_fitted(path: Path) -> bool:
    return any(part in FITTED_DRUMMERS for part in path.parts)


def on_font(hits: TakeHits, synth: tuple[Any, int], rng: np.random.Generator) -> FloatArray:
    """Sound of the strokes on one of a SoundFont's drum kits, one note a kind, with a little hiss."""
    notes = _NOTES | {"hat": int(rng.choice(_HATS)), "cymbal": int(rng.choice(_CYMBALS))}
    synth[0].sounds_off()
    synth[0].program_select(9, synth[1], 128, int(rng.choice(_KITS)), True)
    rows = [(t, t + 0.04, notes[k], v) for t, k, v in zip(hits.time_s, hits.kind, hits.level, strict=True)]
    sound = np.asarray(played(synth[0], 9, np.array(rows), int((hits.duration_s + 2.0) * RATE_HZ), RATE_HZ), np.float64)
    sound *= 0.8 / (np.abs(sound).max() + 1e-12)
    return sound + 10 ** (-70 / 20) * rng.normal(size=len(sound))


def listen(kit: str, hits: TakeHits, sound: FloatArray) -> Heard:
    """Every candidate for a stroke in the sound of known hits."""
    frame_s, rise_db, gained_db = take_hits.candidates_of(from_samples(sound, RATE_HZ))
    strokes = strokes_of(hits.time_s)
    return Heard(kit, strokes, _sounding(hits, strokes), frame_s, rise_db, gained_db)


def _sounding(hits: TakeHits, strokes: list[list[float]]) -> list[tuple[str, ...]]:
    """What each stroke is made of, in the words of take/kinds.py; () where something else is struck."""
    plain = {"tom": "snare", "hat": "cymbal", "other": ""}
    found: list[tuple[str, ...]] = []
    for stroke in strokes:
        inside = (hits.time_s >= stroke[0]) & (hits.time_s <= stroke[-1])
        struck = {plain.get(hits.kind[i], hits.kind[i]) for i in np.flatnonzero(inside).tolist()}
        found.append(() if "" in struck else tuple(k for k in ("kick", "snare", "cymbal") if k in struck))
    return found


def _beyond(rise_db: FloatArray) -> FloatArray:
    value: FloatArray = np.maximum(rise_db - take_hits.LEAST_RISE_DB, 0.0)
    return value


def fit_rises(heard: list[Heard]) -> FloatArray:
    """(8,) weights of the rises beyond the least: logistic regression, none below zero."""
    from scipy.optimize import minimize
    from scipy.special import expit

    x = np.vstack([_beyond(h.rise_db) for h in heard])
    away_s = np.concatenate([h.away_s() for h in heard])
    clear = (away_s <= _NEAR_S) | (away_s > _FAR_S)
    x, y = np.c_[x, np.ones(len(x))][clear], away_s[clear] <= _NEAR_S

    def cost(w: FloatArray) -> tuple[float, FloatArray]:
        log_odds = x @ w
        miss = expit(log_odds) - y
        return float(np.sum(np.logaddexp(0, log_odds) - y * log_odds)), x.T @ miss

    bounds = [(0.0, None)] * (x.shape[1] - 1) + [(None, None)]
    fitted: FloatArray = minimize(cost, np.zeros(x.shape[1]), jac=True, bounds=bounds, method="L-BFGS-B").x[:-1]
    return fitted


def least_score(heard: list[Heard], weight: FloatArray) -> float:
    """The score at which FALSE_SHARE of what is heard on the made kit was not played."""
    made = [h for h in heard if h.kit == "made"]
    score = np.concatenate([_beyond(h.rise_db) @ weight for h in made])
    false = np.concatenate([h.away_s() > _SAME_S for h in made])
    order = np.argsort(-score)
    share = np.cumsum(false[order]) / np.arange(1, len(order) + 1)
    return float(score[order][np.flatnonzero(share <= FALSE_SHARE)[-1]])


def fit_kinds(heard: list[Heard], weight: FloatArray, least: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slope, bend (combinations, 8) and bias (combinations,); strokes that are heard are fitted to."""
    from sklearn.linear_model import LogisticRegression

    gained, truth = zip(*(_named(h, _beyond(h.rise_db) @ weight >= least) for h in heard), strict=True)
    shape = take_kinds.shape_of(np.vstack(gained))
    of = np.concatenate(truth)
    rarity = np.bincount(of, minlength=len(COMBINATIONS)).astype(float)
    model = LogisticRegression(max_iter=3000)
    model.fit(np.c_[shape, np.square(shape) / FAINT_DB], of, sample_weight=(rarity.mean() / rarity[of]) ** _RARE)
    bias = model.intercept_ + ONE_DRUM * np.array([len(names) == 1 for names in COMBINATIONS])
    return model.coef_[:, :8], model.coef_[:, 8:], bias


def _named(heard: Heard, kept: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.int64]]:
    """What was gained (n, 8) in the kept candidates that are strokes of known kinds, and which combination each is."""
    rows, truth = [], []
    for k in np.flatnonzero(kept).tolist():
        near = [i for i, stroke in enumerate(heard.strokes) if min(abs(t - heard.time_s[k]) for t in stroke) <= _NEAR_S]
        if near and heard.sounding[near[0]]:
            rows.append(heard.gained_db[k])
            truth.append(COMBINATIONS.index(heard.sounding[near[0]]))
    return np.array(rows).reshape(-1, 8), np.array(truth, np.int64)


def _rises_table(fitted: list[Heard], held: list[Heard], weight: FloatArray, least: float) -> str:
    rules = {"code": (np.array(take_hits.RISE_WEIGHTS), take_hits.LEAST_SCORE), "fitted": (weight, least)}
    rows: list[tuple[object, ...]] = []
    for name, heard in (("fitted to", fitted), ("held out", held)):
        for kit in sorted({h.kit for h in heard}):
            for rule, (w, score) in rules.items():
                found = np.array([_found(h, _beyond(h.rise_db) @ w >= score) for h in heard if h.kit == kit])
                shares = [float(v) for v in 100 * found.mean(axis=0)]
                rows.append((f"{name}, {kit} kit, {rule}", len(found), *shares, int((found[:, 0] >= 0.97).sum())))
    head = ("strokes", "performances", "found, %", "not played, % of heard", "97 % found")
    return table("Strokes by their rises (drummers fitted to, and all others)", head, rows)


def _found(heard: Heard, kept: NDArray[np.bool_]) -> tuple[float, float]:
    time_s = heard.time_s[kept]
    if not len(time_s):
        return 0.0, 0.0
    found = [min(np.abs(time_s - t).min() for t in stroke) <= _SAME_S for stroke in heard.strokes]
    return float(np.mean(found)), float(np.mean(heard.away_s()[kept] > _SAME_S))


def _kinds_table(fitted: list[Heard], held: list[Heard], slope: FloatArray, bend: FloatArray, bias: FloatArray) -> str:
    rows: list[tuple[object, ...]] = []
    for name, heard in (("fitted to", fitted), ("held out", held)):
        for kit in sorted({h.kit for h in heard}):
            pairs = [
                _named(h, _beyond(h.rise_db) @ np.array(take_hits.RISE_WEIGHTS) >= take_hits.LEAST_SCORE)
                for h in heard
                if h.kit == kit
            ]
            gained, truth = (np.concatenate(column) for column in zip(*pairs, strict=True))
            by_code = np.array([COMBINATIONS.index(names) for names in kinds_of(gained)])
            shape = take_kinds.shape_of(gained)
            by_fit = (shape @ slope.T + np.square(shape) / FAINT_DB @ bend.T + bias).argmax(axis=1)
            rows.append(
                (f"{name}, {kit} kit", len(truth), *(100 * float(np.mean(b == truth)) for b in (by_code, by_fit)))
            )
    return table("Kinds exactly right, %", ("strokes", "n", "code", "fitted"), rows)
