"""The same models by maximum likelihood, as published examples are fitted; pooling itself integrates over them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import expit

from examtally.analytics.examiner_effects.binomial import BinomialLikelihood
from examtally.analytics.examiner_effects.effects import Likelihood
from examtally.analytics.examiner_effects.hyper import Hyper
from examtally.analytics.examiner_effects.normal import NormalLikelihood
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.processes import one_thread

_LIMITS = [(-15.0, 15.0)] * 2 + [(float(np.log(1e-4)), 3.0)] * 2 + [(-7.0, 7.0)]
_STARTS = ((-0.7, 0.0), (-0.7, -1.0), (-0.7, 1.0), (0.5, -1.0))
_STEP, _MARGIN = 1e-4, 0.05


@dataclass(frozen=True)
class MaximumLikelihood:
    """A fit by maximum likelihood: logits of sensitivity and specificity in this order.

    `mean`, `se` and `variance` have two values each; `mean_covariance` is that of the two estimated means, `covariance`
    and `correlation` those between examiners. `is_at_boundary` tells that a variance is 0 or the correlation -1 or 1:
    standard errors are then those of the means with the rest held. None where a standard error cannot be given.
    """

    mean: tuple[float, float]
    se: tuple[float | None, float | None]
    mean_covariance: float | None
    variance: tuple[float, float]
    covariance: float
    correlation: float
    log_likelihood: float
    is_at_boundary: bool
    examiners: int

    @property
    def sensitivity(self) -> float:
        """Sensitivity at the mean logit."""
        return float(expit(self.mean[0]))

    @property
    def specificity(self) -> float:
        """Specificity at the mean logit."""
        return float(expit(self.mean[1]))


def fit_counts(
    tp: npt.ArrayLike, fp: npt.ArrayLike, fn: npt.ArrayLike, tn: npt.ArrayLike, *, nodes: int = 9
) -> MaximumLikelihood:
    """Fit the bivariate binomial-normal model to 2x2 tables, one an examiner (or study), (e,) each.

    Adaptive Gauss-Hermite with `nodes` on each axis. ValueError for counts that are none.

    Source: Chu H, Cole SR. J Clin Epidemiol 2006;59:1331-1332.
    """
    a, b, c, d = (np.atleast_1d(np.asarray(each, dtype=np.float64)) for each in (tp, fp, fn, tn))
    model = BinomialLikelihood(np.column_stack([a, d]), np.column_stack([a + c, d + b]), nodes)
    with one_thread():
        return _fit(model, lambda points: model.log_marginal(Hyper.from_logs(points)))


def fit_estimates(logits: npt.ArrayLike, covariance: npt.ArrayLike, *, restricted: bool = False) -> MaximumLikelihood:
    """Fit the bivariate normal-normal model to `logits` (e, 2) with `covariance` (e, 2, 2) within examiners.

    `restricted` maximises the restricted likelihood (REML). NaN
    logits are missing. ValueError for a covariance that is not positive definite.

    Source: Reitsma JB et al. J Clin Epidemiol 2005;58:982-990.
    """
    model = NormalLikelihood(logits, covariance)

    def value(points: FloatArray) -> FloatArray:
        hyper = Hyper.from_logs(points)
        found = model.log_marginal(hyper)
        if not restricted:
            return found
        size = np.linalg.slogdet(model.information(hyper))[1]
        return np.asarray(found - 0.5 * size + np.log(2 * np.pi))

    with one_thread():
        found = _fit(model, value)
        hyper = Hyper(np.array([found.mean]), np.sqrt([found.variance]), np.array([found.correlation]))
        inverse = np.linalg.inv(model.information(hyper)[0])
    return _with_errors(found, inverse)


def _fit(model: Likelihood, value: Callable[[FloatArray], FloatArray]) -> MaximumLikelihood:
    """The best of several climbs within bounds, from the moments."""
    logits, variance = model.rough()
    weight = np.where(np.isfinite(variance), 1.0 / (variance + 0.3), 0.0)
    mean = (weight * np.where(weight > 0, logits, 0.0)).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-9)
    moves = _STEP * np.concatenate([np.eye(5), -np.eye(5)])

    def down(point: FloatArray) -> tuple[float, FloatArray]:
        values = value(point + np.concatenate([np.zeros((1, 5)), moves]))
        return -float(values[0]), -(values[1:6] - values[6:]) / (2 * _STEP)

    climbs = [
        minimize(down, np.array([*mean, sd, sd, z]), jac=True, method="L-BFGS-B", bounds=_LIMITS,
                 options={"maxiter": 300, "ftol": 1e-13, "gtol": 1e-6})
        for sd, z in _STARTS
    ]  # fmt: skip
    best = min(climbs, key=lambda climb: float(climb.fun))
    point = np.asarray(best.x)
    away = np.array([min(x - low, high - x) > _MARGIN for x, (low, high) in zip(point, _LIMITS, strict=True)])
    is_free = away & np.array([True, True, *(point[2:4] > np.log(1e-3)), abs(point[4]) < 4.0])
    hyper = Hyper.from_logs(point[None, :])
    first, second = (float(v) for v in hyper.sd[0])
    correlation = float(hyper.correlation[0])
    found = MaximumLikelihood(
        mean=(float(point[0]), float(point[1])),
        se=(None, None),
        mean_covariance=None,
        variance=(first**2, second**2),
        covariance=correlation * first * second,
        correlation=correlation,
        log_likelihood=-float(best.fun),
        is_at_boundary=not bool(is_free.all()),
        examiners=model.examiners,
    )
    return _with_errors(found, _covariance_of_means(value, point, is_free))


def _covariance_of_means(
    value: Callable[[FloatArray], FloatArray], point: FloatArray, is_free: BoolArray
) -> FloatArray | None:
    """Inverse observed information of what is free, its part for the means; None where it is not positive definite."""
    free = np.flatnonzero(is_free)
    step = 3e-3
    unit = np.eye(5)[free] * step
    curvature = np.array([[_mixed(value, point, one, other) / step**2 for other in unit] for one in unit])
    if len(free) < 2 or free[1] != 1 or np.linalg.eigvalsh(curvature).min() <= 0:
        return None
    return np.asarray(np.linalg.inv(curvature)[:2, :2])


def _mixed(value: Callable[[FloatArray], FloatArray], point: FloatArray, one: FloatArray, other: FloatArray) -> float:
    pp, pm, mp, mm = value(point + np.array([one + other, one - other, other - one, -one - other]))
    return float(-(pp - pm - mp + mm) / 4.0)


def _with_errors(found: MaximumLikelihood, inverse: FloatArray | None) -> MaximumLikelihood:
    if inverse is None:
        return found
    se = (float(inverse[0, 0] ** 0.5), float(inverse[1, 1] ** 0.5))
    return MaximumLikelihood(**{**found.__dict__, "se": se, "mean_covariance": float(inverse[0, 1])})
