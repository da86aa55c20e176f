"""How a player corrects errors: gains of phase and period correction, from asynchronies.

The model (Vorberg and Schulze 2002; with period correction Schulze, Cordes and Vorberg 2005): the interval before
response k is

    r(k) = period(k) - phase_gain * A(k-1) + T(k) + M(k) - M(k-1),   period(k) = period(k-1) - period_gain * A(k-1)

with asynchronies A, timekeeper noise T and motor noise M. The noise of the intervals has variance sT^2 + 2 sM^2 and
lag-1 covariance -sM^2, nothing beyond. Bounded generalised least squares (Jacoby, Tishby, Repp, Ahissar and Keller
2015, Timing & Time Perception 3, 52-87): alternate between the gains under that covariance and the covariance of the
residuals, held to 0 <= sM <= sT, without which gain and noise can't be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from pulsefind.core.records import FloatArray

_SETTLED = 1e-3  # judged: far below any standard error of a gain
_MOST_ROUNDS = 50  # judged: enough to settle, or to see that it won't
_SIMULATED = 60  # judged: the mean of so many series is known to about an eighth of their spread


@dataclass(frozen=True, slots=True)
class Block:
    """An unbroken run of responses: asynchrony_ms and the interval_ms that ends at each of them, (n,) both.

    Where the track's own intervals change, interval_ms is the difference to them; only its course matters.
    """

    asynchrony_ms: FloatArray
    interval_ms: FloatArray


@dataclass(frozen=True, slots=True)
class GainFit:
    """Gains with their standard errors, and the two noises; period_gain is None for the model without it."""

    phase_gain: float
    phase_error: float
    period_gain: float | None
    period_error: float | None
    timekeeper_sd_ms: float
    motor_sd_ms: float


def estimate_gains(blocks: list[Block], with_period: bool) -> GainFit | None:
    """Fit the model to blocks, pooled: they share gains, noises and (without period correction) the means.

    The iteration stops once the gains move by less than 0.001. None if fewer than 4 intervals are left or the
    asynchronies don't vary.
    """
    data = _regression(blocks, with_period)
    n_gains = 2 if with_period else 1
    if data is None or len(data.interval) < 3 + data.regressors.shape[1]:
        return None
    variance, covariance = 1.0, 0.0
    before = np.full(n_gains, np.inf)
    for _ in range(_MOST_ROUNDS):
        solved = _solve(data, variance, covariance)
        if solved is None:
            return None
        solution, spread = solved
        variance, covariance = _bounded(data.interval - data.regressors @ solution, data.starts)
        if np.abs(solution[:n_gains] - before).max() < _SETTLED:
            break
        before = solution[:n_gains].copy()
    error = np.sqrt(np.maximum(0.0, np.diag(spread)))
    return GainFit(
        float(-solution[0]),
        float(error[0]),
        float(-solution[1]) if with_period else None,
        float(error[1]) if with_period else None,
        float(np.sqrt(max(0.0, variance + 2 * covariance))),
        float(np.sqrt(max(0.0, -covariance))),
    )


@dataclass(frozen=True, slots=True)
class _Regression:
    """All blocks stacked: interval (n,), regressors (n, k), and which rows start a block, (n,)."""

    interval: FloatArray
    regressors: FloatArray
    starts: NDArray[np.bool_]


def _regression(blocks: list[Block], with_period: bool) -> _Regression | None:
    """The regressors are the last asynchrony and, with period correction, their running sum."""
    usable = [block for block in blocks if len(block.asynchrony_ms) >= 3]
    if not usable:
        return None
    mean_a = float(np.concatenate([block.asynchrony_ms for block in usable]).mean())
    mean_r = float(np.concatenate([block.interval_ms for block in usable]).mean())
    intervals, regressors, starts = [], [], []
    for index, block in enumerate(usable):
        a, r = block.asynchrony_ms - mean_a, block.interval_ms - mean_r
        columns = [a[:-1]]
        if with_period:
            # The period that a block starts from is its own: one constant a block. The running sum of the
            # asynchronies is what the period has moved by; differencing the equation gives the published form.
            columns.append(np.cumsum(a)[:-1])
            columns += [np.full(len(a) - 1, float(index == other)) for other in range(len(usable))]
        intervals.append(r[1:])
        regressors.append(np.stack(columns, axis=1))
        starts.append(np.arange(len(a) - 1) == 0)
    return _Regression(np.concatenate(intervals), np.concatenate(regressors), np.concatenate(starts))


def _solve(data: _Regression, variance: float, covariance: float) -> tuple[FloatArray, FloatArray] | None:
    """Generalised least squares with a tridiagonal covariance in every block: solution and its covariance."""
    # Blocks share no covariance, so one banded system holds them all.
    bands = np.stack([np.where(data.starts, 0.0, covariance), np.full(len(data.starts), variance)])
    weighted = solveh_banded(bands, data.regressors)
    normal = data.regressors.T @ weighted
    # Asynchronies that don't vary explain nothing.
    if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e12:
        return None
    inverse = np.linalg.inv(normal).astype(np.float64)
    return inverse @ (weighted.T @ data.interval), inverse


def _bounded(residual: FloatArray, starts: NDArray[np.bool_]) -> tuple[float, float]:
    """Variance and lag-1 covariance of the residuals, limited to 0 <= sM <= sT."""
    follows = ~starts[1:]
    table = np.cov(residual[:-1][follows], residual[1:][follows])
    variance, covariance = float(table[0, 0] + table[1, 1]) / 2, float(table[0, 1])
    return max(variance, 1e-12), max(min(covariance, 0.0), -variance / 3)


def simulate(fit: GainFit, lengths: list[int], rng: np.random.Generator, settle: int = 30) -> list[Block]:
    """Blocks of the given lengths, generated by the model with these gains and noises once it has settled."""
    blocks = []
    for length in lengths:
        n = length + settle
        timekeeper = rng.normal(0.0, fit.timekeeper_sd_ms, n)
        motor = rng.normal(0.0, fit.motor_sd_ms, n + 1)
        a, r = np.zeros(n + 1), np.zeros(n + 1)
        period = 0.0
        for k in range(1, n + 1):
            period -= (fit.period_gain or 0.0) * a[k - 1]
            r[k] = period - fit.phase_gain * a[k - 1] + timekeeper[k - 1] + motor[k] - motor[k - 1]
            a[k] = a[k - 1] + r[k]
        blocks.append(Block(a[-length:], r[-length:]))
    return blocks


@dataclass(frozen=True, slots=True)
class Reliability:
    """The estimates' mean error (bias) and its standard deviation, from simulated series of the same lengths."""

    phase_bias: float
    phase_error: float
    period_bias: float | None
    period_error: float | None


def reliability_of(fit: GainFit, lengths: list[int]) -> Reliability | None:
    """Estimate gains from simulated blocks (seeded) with the gains, noises and lengths found.

    Short series give gains that are too large (the mean comes from the same few asynchronies), and the regression's own
    standard errors assume that the noises are known; simulation avoids both. Gains outside the range in which the model
    is stable are simulated at its edge. None if too few simulated series could be fitted.
    """
    rng = np.random.default_rng(0)
    phase = float(np.clip(fit.phase_gain, 0.05, 1.5))
    period = None if fit.period_gain is None else float(np.clip(fit.period_gain, 0.0, 0.5))
    true = GainFit(phase, 0.0, period, None, fit.timekeeper_sd_ms, fit.motor_sd_ms)
    found = [estimate_gains(simulate(true, lengths, rng), period is not None) for _ in range(_SIMULATED)]
    phases = [f.phase_gain for f in found if f is not None]
    if len(phases) < _SIMULATED // 2:
        return None
    if period is None:
        return Reliability(float(np.mean(phases)) - phase, float(np.std(phases)), None, None)
    periods = [f.period_gain for f in found if f is not None and f.period_gain is not None]
    return Reliability(
        float(np.mean(phases)) - phase,
        float(np.std(phases)),
        float(np.mean(periods)) - period,
        float(np.std(periods)),
    )
