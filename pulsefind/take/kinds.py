"""What sounds in a stroke: a kick, a snare (or tom), a cymbal, or several at once, from what it added to eight bands.

One quadratic rule per combination; the likeliest wins. It looks at a stroke's own shape only, so it needs no other
strokes to compare with. Fitted by multinomial logistic regression to strokes of known kinds (`python -m eval
take-fit`); rare combinations weigh more than their share, and half a unit of log odds favours one drum over several.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import FloatArray

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
    (0.444, -0.017, 0.276, -0.297, 0.226, -0.24, -0.222, -0.085),
    (-0.393, 0.006, 0.1, -0.282, 0.143, 0.095, 0.196, -0.372),
    (0.126, -0.013, 0.202, -0.112, -0.0, 0.076, 0.0, -0.112),
    (-0.223, -0.182, -0.317, 0.153, -0.236, 0.438, -0.141, 0.166),
    (0.558, 0.147, -0.165, 0.233, -0.182, -0.208, -0.133, 0.316),
    (-0.455, 0.042, 0.037, 0.2, 0.004, 0.034, 0.103, 0.012),
    (-0.057, 0.017, -0.133, 0.104, 0.045, -0.196, 0.197, 0.077),
)
"""(combinations, bands) log odds per dB that a band gained, relative to the band that gained most; fitted (above)."""

BEND = (
    (0.496, 0.02, 0.223, -0.269, 0.092, -0.145, -0.068, -0.081),
    (-0.268, 0.013, 0.106, -0.32, 0.094, 0.015, 0.133, -0.177),
    (0.135, 0.0, 0.096, -0.054, 0.009, 0.065, -0.006, -0.061),
    (-0.056, -0.12, -0.262, 0.179, -0.134, 0.381, -0.135, 0.09),
    (0.551, 0.105, -0.123, 0.176, -0.185, -0.154, -0.051, 0.144),
    (-0.32, 0.007, 0.075, 0.207, 0.061, -0.025, -0.015, 0.066),
    (-0.538, -0.025, -0.114, 0.08, 0.063, -0.137, 0.142, 0.019),
)
"""The same for its square over FAINT_DB; fitted (above)."""

BIAS = (-3.5, -2.66, 0.14, -1.06, 4.17, 1.37, 3.04)
"""Log odds of each combination where all bands gained alike; fitted with SLOPE and BEND."""

FAINT_DB = 40.0
"""Bands further below the strongest one count as this far below it (judged: down there is noise)."""

UPPER = 4
"""Snare wires and cymbals are heard from this band on (common practice, no source)."""


def kinds_of(gained_db: FloatArray) -> tuple[tuple[str, ...], ...]:
    """What sounds in each stroke; gained_db (n_strokes, 8) is the power that it added to each band. Empty gives ()."""
    if not len(gained_db):
        return ()
    shape = shape_of(gained_db)
    log_odds = shape @ np.array(SLOPE).T + np.square(shape) / FAINT_DB @ np.array(BEND).T + np.array(BIAS)
    # No stroke in the fit was this dark, so the rule extrapolates wildly there.
    dark = (shape.argmax(axis=1) == 0) & (shape[:, UPPER:].max(axis=1) < 1.0 - FAINT_DB)
    log_odds[dark, COMBINATIONS.index(("kick",))] = np.inf
    return tuple(COMBINATIONS[int(k)] for k in log_odds.argmax(axis=1))


def shape_of(gained_db: FloatArray) -> FloatArray:
    """(n_strokes, 8) what each band gained, in dB relative to the band that gained most."""
    shape: FloatArray = np.clip(gained_db - gained_db.max(axis=1, keepdims=True), -FAINT_DB, 0.0)
    return shape
