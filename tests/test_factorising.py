"""Non-negative factorisation against scikit-learn's, which does the same steps in the same order."""

import warnings

import numpy as np
import pytest

from pulsefind.listen.factorising import gains_of, templates_of


def mixed_rows(seed, n_rows, n_templates):
    """Rows made of few templates, with a little noise; many entries are zero."""
    rng = np.random.default_rng(seed)
    template = rng.gamma(0.5, 1.0, (n_templates, 40)) * (rng.uniform(size=(n_templates, 40)) < 0.5)
    gain = rng.gamma(1.0, 1.0, (n_rows, n_templates)) * (rng.uniform(size=(n_rows, n_templates)) < 0.4)
    return (gain @ template + 0.01 * rng.uniform(size=(n_rows, 40))).astype(np.float32)


@pytest.mark.parametrize(("seed", "n_rows", "n_templates"), [(1, 150, 1), (2, 150, 3), (3, 300, 6), (4, 20, 8)])
def test_the_same_as_scikit_learn(seed, n_rows, n_templates):
    from sklearn.decomposition import NMF

    rows = mixed_rows(seed, n_rows, n_templates)
    reference = NMF(n_templates, init="nndsvda", max_iter=200, random_state=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference.fit(rows)
        gain = reference.transform(rows)
    template = templates_of(rows, n_templates)
    # Rounding in float32, and singular vectors found in another way, over 200 rounds.
    np.testing.assert_allclose(template, reference.components_, atol=0.01 * reference.components_.max())
    np.testing.assert_allclose(gains_of(rows, template), gain, atol=0.01 * gain.max())


def test_nothing_in_gives_nothing_out():
    zeros = np.zeros((12, 5), np.float32)
    assert not templates_of(zeros, 2).any()
    assert not gains_of(zeros, np.ones((2, 5), np.float32)).any()
    assert gains_of(zeros[:0], np.ones((2, 5), np.float32)).shape == (0, 2)
