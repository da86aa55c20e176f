"""Non-negative matrix factorisation: rows as sums of a few templates, none of which subtracts anything.

Coordinate descent on the squared error, one template after the other (A. Cichocki and A.-H. Phan, "Fast local
algorithms for large scale nonnegative matrix and tensor factorizations", IEICE Transactions 2009), from the singular
vectors (C. Boutsidis and E. Gallopoulos, "SVD based initialization", Pattern Recognition 2008, variant a).
"""

from __future__ import annotations

import numpy as np

from pulsefind.listen.features import Float32Array

MOST_ROUNDS = 200
"""By then templates have settled to far below what the ear can tell apart (judged)."""

SETTLED = 1e-4
"""Share of the first round's gradient at which a fit has settled (published: scikit-learn's default)."""

_SMALLEST = 1e-6  # smaller starting values count as zero (published: as in scikit-learn)


def templates_of(rows: Float32Array, n_templates: int) -> Float32Array:
    """Learn templates (n_templates, n_columns) from non-negative rows (n_rows, n_columns), at least one of each.

    >>> rows = np.outer([1, 2, 3], [0, 2, 1]).astype(np.float32)
    >>> np.round(templates_of(rows, 1) / templates_of(rows, 1).max(), 3).tolist()
    [[0.0, 1.0, 0.5]]
    """
    gain, template = _start(rows, n_templates)
    transposed = np.ascontiguousarray(rows.T)
    first = 0.0
    for k in range(MOST_ROUNDS):
        moved = _one_round(gain, rows @ template, template.T @ template)
        moved += _one_round(template, transposed @ gain, gain.T @ gain)
        first = moved if k == 0 else first
        if moved <= SETTLED * first:
            break
    return np.ascontiguousarray(template.T)


def gains_of(rows: Float32Array, templates: Float32Array) -> Float32Array:
    """(n_rows, n_templates) how much of each template there is in each row; no rows give none."""
    gain = np.zeros((len(rows), len(templates)), np.float32)
    target, overlap = rows @ templates.T, templates @ templates.T
    first = 0.0
    for k in range(MOST_ROUNDS):
        moved = _one_round(gain, target, overlap)
        first = moved if k == 0 else first
        if moved <= SETTLED * first:
            break
    return gain


def _start(rows: Float32Array, n_templates: int) -> tuple[Float32Array, Float32Array]:
    """Gains (n_rows, n_templates) and templates (n_columns, n_templates): the larger side of each singular pair.

    Zeros become the mean of the rows, so that every entry can still change.
    """
    left, value, right = np.linalg.svd(rows, full_matrices=False)
    gain = np.zeros((len(rows), n_templates), np.float32)
    template = np.zeros((rows.shape[1], n_templates), np.float32)
    for k in range(min(n_templates, len(value))):
        sides = [(np.maximum(s * left[:, k], 0), np.maximum(s * right[k], 0)) for s in (1, -1)]
        x, y = max(sides, key=lambda side: float(np.linalg.norm(side[0]) * np.linalg.norm(side[1])))
        length = np.linalg.norm(x), np.linalg.norm(y)
        scale = np.sqrt(value[k] * length[0] * length[1])
        gain[:, k], template[:, k] = scale * x / max(length[0], 1e-12), scale * y / max(length[1], 1e-12)
    for part in (gain, template):
        part[part < _SMALLEST] = rows.mean()
    return gain, template


def _one_round(factor: Float32Array, target: Float32Array, overlap: Float32Array) -> float:
    """Set each column of a factor (n, k) to its optimum given the others; returns the total gradient before that."""
    steep = 0.0
    for k in range(factor.shape[1]):
        slope = factor @ overlap[k] - target[:, k]
        column = factor[:, k]
        steep += float(np.abs(np.where(column == 0, np.minimum(slope, 0), slope)).sum())
        if overlap[k, k] > 0:
            factor[:, k] = np.maximum(column - slope / overlap[k, k], 0)
    return steep
