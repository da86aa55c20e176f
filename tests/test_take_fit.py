"""The fit of strokes and kinds, on made takes whose every stroke is known; no data set needed."""

import numpy as np
import pytest

from eval.take.fitting import Heard, fit_kinds, fit_rises, least_score, listen
from eval.take.kit_sound import render
from pulsefind.take.kinds import COMBINATIONS, FAINT_DB, shape_of
from pulsefind.take.records import TakeHits
from pulsefind.take.strokes import LEAST_RISE_DB


def heard(seed: int) -> Heard:
    """Twenty seconds of all seven combinations in random order, hats and all."""
    rng = np.random.default_rng(seed)
    rows = [
        (0.5 + 0.2 * k, "hat" if kind == "cymbal" else kind, float(rng.uniform(40, 120)))
        for k, names in enumerate(rng.permutation(np.arange(98) % len(COMBINATIONS)))
        for kind in COMBINATIONS[names]
    ]
    time_s, kind, level = zip(*rows, strict=True)
    hits = TakeHits(np.array(time_s), kind, np.array(level), "velocity", 21.0, "midi")
    return listen("made", hits, render(hits, rng))


@pytest.fixture(scope="module")
def fitted():
    return [heard(seed) for seed in range(3)]


def test_weights_are_those_of_a_library_where_none_is_held_at_zero():
    """scikit-learn's logistic regression without a penalty finds the same, on made rises of which all tell."""
    from sklearn.linear_model import LogisticRegression

    rng = np.random.default_rng(0)
    struck = rng.random(600) < 0.4
    rise_db = LEAST_RISE_DB + np.abs(rng.normal(0, 2, (600, 8))) + struck[:, None]
    time_s = np.arange(600.0)
    strokes = [[t] for t in time_s[struck]]
    made = Heard("made", strokes, [("kick",)] * len(strokes), time_s, rise_db, np.zeros((600, 8)))
    model = LogisticRegression(C=np.inf, max_iter=1000).fit(rise_db - LEAST_RISE_DB, struck)
    assert (model.coef_[0] > 0).all()
    assert fit_rises([made]) == pytest.approx(model.coef_[0], rel=0.02, abs=0.005)


def test_the_least_score_lets_the_stated_share_of_false_strokes_through():
    rng = np.random.default_rng(1)
    time_s = np.arange(20000.0)
    struck = rng.random(20000) < 0.5
    rise_db = np.zeros((20000, 8))
    rise_db[:, 7] = LEAST_RISE_DB + np.abs(rng.normal(np.where(struck, 8.0, 2.0), 2.0))
    strokes = [[t] for t in time_s[struck]]
    made = Heard("made", strokes, [()] * len(strokes), time_s, rise_db, np.zeros((20000, 8)))
    weight = np.eye(8)[7]
    kept = rise_db[:, 7] - LEAST_RISE_DB >= least_score([made], weight)
    assert np.mean(~struck[kept]) == pytest.approx(0.0075, abs=0.0003)


def test_what_was_fitted_tells_strokes_and_kinds_it_has_not_seen(fitted):
    weight = fit_rises(fitted)
    assert (weight >= 0).all() and weight.max() > 0
    least = least_score(fitted, weight)
    slope, bend, bias = fit_kinds(fitted, weight, least)
    new = heard(9)
    score = np.maximum(new.rise_db - LEAST_RISE_DB, 0) @ weight
    found = new.time_s[score >= least]
    at = np.array([stroke[0] for stroke in new.strokes])
    near = np.array([np.abs(found - t).min() < 0.012 for t in at])
    assert near.mean() > 0.9
    index = [int(np.abs(new.time_s - t).argmin()) for t in at[near]]
    shape = shape_of(new.gained_db[index])
    told = (shape @ slope.T + np.square(shape) / FAINT_DB @ bend.T + bias).argmax(axis=1)
    truth = [COMBINATIONS.index(names) for names, heard_it in zip(new.sounding, near, strict=True) if heard_it]
    # One in seven is right by chance.
    assert np.mean(told == truth) > 0.6
