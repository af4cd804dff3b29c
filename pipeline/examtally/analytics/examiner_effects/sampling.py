"""Importance sampling of a few hyperparameters from the mode of their posterior."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import minimize
from scipy.special import chdtri, ndtri
from scipy.stats import qmc

from examtally.analytics.intervals import FloatArray

LogDensity = Callable[[FloatArray], FloatArray]
_FREEDOM = 6.0
_STEP = 1e-3
_ROUNDS, _GOOD_SHARE = 4, 0.4
_WIDE, _ONE_WIDE_IN = 2.5, 6


@dataclass(frozen=True)
class Draws:
    """Points (s, k) with weights that sum to 1, and Kish's effective number of them."""

    points: FloatArray
    weights: FloatArray
    log_target: FloatArray
    log_proposal: FloatArray

    @property
    def ess(self) -> float:
        return float(1.0 / (self.weights**2).sum())

    def reweighted(self, log_ratio: FloatArray) -> Draws:
        """The same points under a target that differs by `log_ratio` (s,)."""
        target = self.log_target + log_ratio
        return Draws(self.points, _normalised(target - self.log_proposal), target, self.log_proposal)


def find_mode(target: LogDensity, start: FloatArray) -> FloatArray:
    """The highest point of `target` by BFGS with central differences, all of a step's evaluated at once."""
    steps = _STEP * np.concatenate([np.eye(start.size), -np.eye(start.size)])

    def down(point: FloatArray) -> tuple[float, FloatArray]:
        values = target(point + np.concatenate([np.zeros((1, start.size)), steps]))
        slope = (values[1 : 1 + start.size] - values[1 + start.size :]) / (2 * _STEP)
        return -float(values[0]), -slope

    found = minimize(down, start, jac=True, method="BFGS", options={"gtol": 1e-2, "maxiter": 60})
    return np.asarray(found.x)


def spread_at(target: LogDensity, mode: FloatArray, longest: float = 2.0) -> FloatArray:
    """Inverse curvature of `target` at its mode, standard deviations held between 1e-4 and `longest`."""
    k = mode.size
    step = 10 * _STEP
    pairs = [(i, j) for i in range(k) for j in range(i + 1)]
    moves = np.array([a * np.eye(k)[i] + b * np.eye(k)[j] for i, j in pairs for a, b in _CORNERS]) * step
    values = target(mode + moves).reshape(len(pairs), 4)
    curvature = np.zeros((k, k))
    for (i, j), (pp, pm, mp, mm) in zip(pairs, values, strict=True):
        curvature[i, j] = curvature[j, i] = -(pp - pm - mp + mm) / (4 * step**2)
    size, direction = np.linalg.eigh(curvature)
    return np.asarray((direction / np.clip(size, longest**-2, 1e8)) @ direction.T)


_CORNERS = ((1, 1), (1, -1), (-1, 1), (-1, -1))


def sample(target: LogDensity, mode: FloatArray, spread: FloatArray, size: int, seed: int) -> Draws:
    """Draw from `target` by weighting draws of a multivariate t (6 degrees of freedom), one in six spread wide.

    The first proposal stands at the mode with its curvature; where it fits badly, the weighted mean and covariance of
    its draws make the next, four times at most. Scrambled Sobol points, the same for one seed.

    Source: Kloek T, van Dijk HK. Econometrica 1978;46:1-19; Oh MS, Berger JO. J Stat Comput Simul 1992;41:143-168.
    """
    centre = mode
    for round_ in range(_ROUNDS):
        draws = _proposed(target, centre, spread, max(128, size // 4), seed + round_)
        if draws.ess > _GOOD_SHARE * len(draws.weights):
            break
        flat = _tempered(draws)
        centre = flat @ draws.points
        away = draws.points - centre
        spread = (away * flat[:, None]).T @ away + 1e-10 * np.eye(mode.size)
    return _proposed(target, centre, spread, size, seed + _ROUNDS)


def _tempered(draws: Draws) -> FloatArray:
    """Weights, flattened until some points a dimension share them."""
    logs = draws.log_target - draws.log_proposal
    for power in (1.0, 0.7, 0.5, 0.3, 0.1):
        weights = _normalised(power * logs)
        if 1.0 / (weights**2).sum() > 6 * draws.points.shape[1]:
            break
    return weights


def _proposed(target: LogDensity, centre: FloatArray, spread: FloatArray, size: int, seed: int) -> Draws:
    normal, chi = _base(size, centre.size, seed)
    root = np.linalg.cholesky(spread)
    is_wide = np.arange(size) % _ONE_WIDE_IN == 0
    stretched = normal / np.sqrt(chi / _FREEDOM)[:, None] * np.where(is_wide, _WIDE, 1.0)[:, None]
    points = centre + stretched @ root.T
    distance = (stretched**2).sum(axis=1)
    share = 1.0 / _ONE_WIDE_IN
    proposal = np.logaddexp(
        np.log1p(-share) + _log_t(distance, centre.size),
        np.log(share) + _log_t(distance / _WIDE**2, centre.size) - centre.size * np.log(_WIDE),
    )
    values = target(points)
    return Draws(points, _normalised(values - proposal), values, proposal)


def _log_t(distance: FloatArray, dimensions: int) -> FloatArray:
    """Log density of the multivariate t by squared distance, but for a constant."""
    return -0.5 * (_FREEDOM + dimensions) * np.log1p(distance / _FREEDOM)


def _normalised(logs: FloatArray) -> FloatArray:
    safe = np.where(np.isfinite(logs), logs, -np.inf)
    weights = np.exp(safe - safe.max())
    return np.asarray(weights / weights.sum())


@lru_cache(maxsize=32)
def _base(size: int, dimensions: int, seed: int) -> tuple[FloatArray, FloatArray]:
    """Standard normals (size, dimensions) and chi squares (size,) from scrambled Sobol points."""
    exponent = int(np.ceil(np.log2(size)))
    uniform = qmc.Sobol(dimensions + 1, scramble=True, rng=np.random.default_rng(seed)).random_base2(exponent)[:size]
    inside = np.clip(uniform, 1e-12, 1 - 1e-12)
    return ndtri(inside[:, :-1]), chdtri(_FREEDOM, inside[:, -1])
