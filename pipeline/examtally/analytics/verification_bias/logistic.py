"""Logistic regression with a light fixed ridge, by Newton's method on whole arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit
from threadpoolctl import threadpool_limits

from examtally.analytics.intervals import BoolArray, FloatArray

_STEPS = 50
_HALVINGS = 12
_TOLERANCE = 1e-10


@dataclass(frozen=True)
class Logistic:
    """A fitted model: coefficients (k + 1,), intercept first, and their posterior covariance (k + 1, k + 1)."""

    coefficients: FloatArray
    covariance: FloatArray
    penalty: float
    converged: bool

    def probability(self, design: FloatArray) -> FloatArray:
        """Probability for each row of `design`, (n, k), columns as in the fit."""
        return np.asarray(expit(self.coefficients[0] + design @ self.coefficients[1:]))


def standardise(design: FloatArray) -> FloatArray:
    """Columns of `design`, (n, k), with mean 0 and standard deviation 1; constant columns become 0."""
    spread = design.std(axis=0)
    is_constant = spread < 1e-12
    return np.asarray(np.where(is_constant, 0.0, (design - design.mean(axis=0)) / np.where(is_constant, 1.0, spread)))


def fit_logistic(design: FloatArray, outcome: BoolArray, *, penalty: float = 1.0) -> Logistic:
    """Fit `outcome` (n,) on `design` (n, k), both classes present (ValueError otherwise).

    Each coefficient has a normal prior about 0 with precision `penalty` (1: standard deviation 1 on columns that are
    standardised), the intercept none. Newton steps are halved until the penalised likelihood rises.

    Source: penalised maximum likelihood as posterior mode, le Cessie S, van Houwelingen JC. Appl Stat 1992;41:191–201.
    """
    y = np.asarray(outcome, dtype=np.float64)
    if not 0 < y.mean() < 1:
        raise ValueError("the outcome must take both values")
    known = np.column_stack([np.ones(y.size), design])
    prior = np.r_[0.0, np.full(design.shape[1], penalty)]
    beta = np.r_[np.log(y.mean() / (1 - y.mean())), np.zeros(design.shape[1])]
    converged = False
    with threadpool_limits(limits=1, user_api="blas"):
        fit = _penalised(known, y, prior, beta)
        for _ in range(_STEPS):
            mu = expit(known @ beta)
            information = (known * (mu * (1 - mu))[:, None]).T @ known + np.diag(prior)
            step = np.linalg.solve(information, known.T @ (y - mu) - prior * beta)
            if np.abs(step).max() < _TOLERANCE:
                converged = True
                break
            beta, fit = _forward(known, y, prior, beta, step, fit)
        covariance = np.linalg.inv(information)
    return Logistic(beta, covariance, penalty, converged)


def _forward(
    known: FloatArray, y: FloatArray, prior: FloatArray, beta: FloatArray, step: FloatArray, fit: float
) -> tuple[FloatArray, float]:
    """The longest of step, step/2, step/4, … after which the penalised likelihood has not fallen."""
    for halving in range(_HALVINGS):
        moved = beta + step / 2**halving
        better = _penalised(known, y, prior, moved)
        if better >= fit - 1e-9 * (1 + abs(fit)):
            break
    return moved, better


def _penalised(known: FloatArray, y: FloatArray, prior: FloatArray, beta: FloatArray) -> float:
    linear = known @ beta
    return float(y @ linear - np.logaddexp(0.0, linear).sum() - 0.5 * (prior @ beta**2))
