"""What sounds in a stroke: a kick, a snare (or tom), a cymbal, or several at once, from what it added to eight bands.

One quadratic rule a combination, the likeliest taken. It looks at a stroke's own shape alone, so that it needs no other
strokes to compare with. Fitted by multinomial logistic regression to strokes of known kinds (datasets.md says which);
rare combinations weigh more than their share, and half a unit of log odds favours one drum over several.
"""

from __future__ import annotations

import numpy as np

from pulsefind.records import FloatArray

COMBINATIONS = (
    ("kick",),
    ("snare",),
    ("kick", "snare"),
    ("cymbal",),
    ("kick", "cymbal"),
    ("snare", "cymbal"),
    ("kick", "snare", "cymbal"),
)

SLOPE = (
    (0.384, 0.154, -0.056, 0.091, 0.096, 0.005, -0.004, -0.228),
    (-0.389, -0.052, 0.084, -0.450, 0.316, -0.030, 0.268, -0.451),
    (-0.019, 0.142, -0.005, 0.010, -0.087, 0.079, 0.068, -0.316),
    (-0.124, -0.473, -0.058, 0.017, -0.037, -0.024, -0.217, 0.383),
    (0.601, 0.001, -0.091, -0.013, -0.025, -0.108, -0.183, 0.403),
    (-0.466, 0.106, 0.048, 0.140, 0.034, -0.067, 0.040, 0.116),
    (0.013, 0.121, 0.079, 0.205, -0.297, 0.145, 0.029, 0.092),
)
"""(combinations, bands) log odds a dB of what was added to a band, against the band to which most was added."""

BEND = (
    (0.436, 0.132, -0.022, 0.053, 0.046, 0.001, 0.018, -0.077),
    (-0.203, -0.003, 0.050, -0.385, 0.208, -0.038, 0.163, -0.206),
    (-0.041, 0.139, -0.006, -0.000, -0.075, 0.069, 0.019, -0.167),
    (0.070, -0.396, -0.029, 0.047, 0.014, 0.002, -0.140, 0.134),
    (0.291, -0.026, -0.080, -0.001, -0.041, -0.118, -0.098, 0.249),
    (-0.279, 0.086, 0.051, 0.112, 0.069, -0.007, 0.011, 0.023),
    (-0.275, 0.069, 0.036, 0.175, -0.221, 0.092, 0.027, 0.045),
)
"""The same of its square over the faintest that counts."""

BIAS = (-0.16, -4.87, -2.66, -0.55, 4.05, 1.02, 3.40)

FAINT_DB = 40.0
"""What lies farther below the strongest band counts as this far."""


def kinds_of(gained_db: FloatArray) -> tuple[tuple[str, ...], ...]:
    """Of each stroke what sounds in it; gained_db (n_strokes, 8) is the power that it added to each band."""
    if not len(gained_db):
        return ()
    shape = shape_of(gained_db)
    log_odds = shape @ np.array(SLOPE).T + np.square(shape) / FAINT_DB @ np.array(BEND).T + np.array(BIAS)
    return tuple(COMBINATIONS[int(k)] for k in log_odds.argmax(axis=1))


def shape_of(gained_db: FloatArray) -> FloatArray:
    """(n_strokes, 8) what was added to each band, against the band to which most was added, in dB."""
    shape: FloatArray = np.clip(gained_db - gained_db.max(axis=1, keepdims=True), -FAINT_DB, 0.0)
    return shape
