"""Logistic regression with a ridge penalty on knees that count several times, from any start: quick to fit again."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit
from threadpoolctl import threadpool_limits

from examtally.analytics.intervals import FloatArray

_STEPS = 50
_HALVINGS = 12
_TOLERANCE = 1e-8
_NO_SPREAD = 1e-12


@dataclass(frozen=True)
class Ridge:
    """Coefficients (k + 1,), intercept first, on the columns as they are; `precision` (k + 1,) of their prior."""

    coefficients: FloatArray
    precision: FloatArray
    information: FloatArray
    converged: bool

    def log_odds(self, design: npt.ArrayLike) -> FloatArray:
        """Log-odds of each row of `design`, (n, k), columns as in the fit."""
        return np.asarray(self.coefficients[0] + np.asarray(design, dtype=np.float64) @ self.coefficients[1:])


def fit_ridge(
    design: npt.ArrayLike,
    outcome: npt.ArrayLike,
    weights: npt.ArrayLike | None = None,
    *,
    penalty: float = 1.0,
    start: FloatArray | None = None,
) -> Ridge:
    """Fit `outcome` (n,) on `design` (n, k), each row counted `weights` (n,) times, once if left out.

    An outcome is 0 or 1, or the share of events among the knees that a row counts for.
    Every coefficient has a normal prior about 0 with precision `penalty` times the variance of its column in these
    rows, so that a penalty means the same for any unit; the intercept has none, a constant column gets 0. Newton steps
    from `start` (k + 1,) are halved until the penalised likelihood rises. ValueError where one class only is there.
    The last bits depend on the number of threads of the linear algebra; see `one_thread`.

    >>> found = fit_ridge([[0.0], [0.0], [1.0], [1.0]], [0, 1, 0, 1], [3, 1, 1, 3], penalty=0.0)
    >>> found.coefficients.round(3).tolist()
    [-1.099, 2.197]

    Source: le Cessie S, van Houwelingen JC. Appl Stat 1992;41:191-201.
    """
    x, y = np.asarray(design, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    w = np.ones(y.size) if weights is None else np.asarray(weights, dtype=np.float64)
    total, events = float(w.sum()), float(w @ y)
    if not 0 < events < total:
        raise ValueError("the outcome must take both values")
    centre = w @ x / total
    spread = np.maximum(w @ x**2 / total - centre**2, 0.0)
    moving = spread > _NO_SPREAD
    precision = np.r_[0.0, np.where(moving, penalty * spread, 1.0)]
    known = np.column_stack([np.ones(y.size), np.where(moving, x, 0.0)])
    beta = np.r_[np.log(events / (total - events)), np.zeros(x.shape[1])] if start is None else start.copy()
    beta[1:][~moving] = 0.0
    beta, information, converged = _climb(known, y, w, precision, beta)
    return Ridge(beta, precision, information, converged)


def one_thread() -> AbstractContextManager[object]:
    """Hold linear algebra to one thread within a `with` block, so that sums run in one order on every machine."""
    limited: AbstractContextManager[object] = threadpool_limits(limits=1, user_api="blas")
    return limited


def _climb(
    known: FloatArray, y: FloatArray, w: FloatArray, precision: FloatArray, beta: FloatArray
) -> tuple[FloatArray, FloatArray, bool]:
    height = _penalised(known, y, w, precision, beta)
    for _ in range(_STEPS):
        mu = expit(known @ beta)
        information = (known * (w * mu * (1 - mu))[:, None]).T @ known + np.diag(precision)
        step = np.linalg.solve(information, known.T @ (w * (y - mu)) - precision * beta)
        beta, height = _forward(known, y, w, precision, beta, step, height)
        if np.abs(step).max() < _TOLERANCE:
            return beta, information, True
    return beta, information, False


def _forward(
    known: FloatArray,
    y: FloatArray,
    w: FloatArray,
    precision: FloatArray,
    beta: FloatArray,
    step: FloatArray,
    height: float,
) -> tuple[FloatArray, float]:
    """The longest of step, step/2, step/4, … after which the penalised likelihood has not fallen."""
    for halving in range(_HALVINGS):
        moved = beta + step / 2**halving
        higher = _penalised(known, y, w, precision, moved)
        if higher >= height - 1e-9 * (1 + abs(height)):
            break
    return moved, higher


def _penalised(known: FloatArray, y: FloatArray, w: FloatArray, precision: FloatArray, beta: FloatArray) -> float:
    linear = known @ beta
    return float(w @ (y * linear - np.logaddexp(0.0, linear)) - 0.5 * (precision @ beta**2))
