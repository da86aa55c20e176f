"""The made mixes: the figure lies where it is said to, at the level it is said to have; only the truth is right."""

import numpy as np
import pytest

from eval.sets import drumless
from eval.sets.drumless import BARS, CARRIERS, FIGURES, FIRST_S, LOOSE_S, Mix, exact
from eval.train.ingredients import RATE_HZ


def test_every_carrier_plays_every_figure_once():
    made = drumless.mixes()
    assert len(made) >= 40
    assert {(m.carrier, m.figure) for m in made} == {(c, f) for c in CARRIERS for f in FIGURES}
    assert len({m.seed for m in made}) == len(made)


@pytest.mark.parametrize("carrier", CARRIERS)
def test_the_carrier_sounds_at_its_figure_and_nowhere_else(carrier):
    mix = Mix(carrier, (0.0, 1.5, 3.0), 90.0, 7)
    sound, rest = drumless._Band(()).parts(mix)
    assert len(sound) == len(rest)
    said_s = FIRST_S + np.add.outer(4 * np.arange(BARS), mix.figure).ravel() * 60 / mix.bpm
    # A beat lasts 667 ms: 300 ms after a note another has not begun. Notes are loose by 4 ms, five times that is never.
    block = int(0.01 * RATE_HZ)
    power = np.square(sound[: len(sound) // block * block].reshape(-1, block)).sum(axis=1)
    time_s = (np.arange(len(power)) + 0.5) * block / RATE_HZ
    after_s = time_s[:, None] - said_s
    near = ((after_s > -5 * LOOSE_S - 0.01) & (after_s < 0.3)).any(axis=1)
    assert power[near].sum() > 0.97 * power.sum()
    each = [power[(a > -0.02) & (a < 0.3)].sum() for a in after_s.T]
    assert min(each) > 0.2 * max(each)


@pytest.mark.parametrize("level_db", drumless.LEVELS_DB)
def test_the_level_is_that_of_the_sounding_carrier_against_the_rest(level_db):
    # A square wave in every fourth block, so that the level of what sounds is 1 by definition.
    carrier = np.where(np.arange(40000) // 50 % 2, 1.0, -1.0) * (np.arange(40000) // 1000 % 4 == 0)
    rest = np.random.default_rng(0).normal(0, 0.3, 40000)
    mix = drumless._mixed(carrier.astype(np.float32), rest.astype(np.float32), level_db)
    (of_carrier, of_rest), *_ = np.linalg.lstsq(np.stack([carrier, rest], axis=1), mix.astype(np.float64))
    found_db = 20 * np.log10(of_carrier / (of_rest * np.sqrt(np.mean(rest**2))))
    assert found_db == pytest.approx(level_db, abs=0.01)
    assert np.abs(mix).max() == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("stated", "right"),
    [
        ((3.5, 1.5), True),
        ((1.5, 3.45), True),
        ((1.5,), False),
        ((1.5, 3.5, 3.75), False),
        ((1.5, 3.25), False),
        ((), False),
    ],
)
def test_only_the_whole_place_set_is_right(stated, right):
    assert exact(stated, (1.5, 3.5)) is right


def test_a_loud_figure_is_found_and_another_is_not(monkeypatch):
    there = Mix("shaker", (1.5, 3.5), 100.0, 0)
    monkeypatch.setattr(drumless, "LEVELS_DB", (6.0,))
    monkeypatch.setattr(drumless, "mixes", lambda: [there])
    (row,) = drumless.level_curve()
    assert (row.level_db, row.found, row.n) == (6.0, 1, 1)
    # The same sound judged by a figure that is not in it.
    parts = drumless._Band(()).parts(there)
    monkeypatch.setattr(drumless, "mixes", lambda: [Mix("shaker", (0.25, 2.75), 100.0, 0)])
    monkeypatch.setattr(drumless._Band, "parts", lambda self, mix: parts)
    (row,) = drumless.level_curve()
    assert (row.found, row.first, row.n) == (0, 0, 1)


def test_a_shuffle_has_the_ratio_that_it_is_said_to_have(monkeypatch):
    monkeypatch.setattr(drumless, "SHUFFLE_BPM", (120,))
    monkeypatch.setattr(drumless, "RATIOS", (1.0, 1.75))
    straight, swung = drumless.swing_curve()
    assert straight.found == pytest.approx(1.0, abs=0.15)
    assert swung.found == pytest.approx(1.75, abs=0.15)
