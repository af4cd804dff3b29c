"""Sensitivity and specificity of one maneuver over several groups, from each group's estimate and its covariance.

Groups differ: their logits have a mean, a spread and a correlation between groups, found by restricted maximum
likelihood. What all groups take for granted of the reference does not average out; it is carried as uncertainty that
they have in common.

Sources: Reitsma JB et al. J Clin Epidemiol 2005;58:982-990 (the model); Higgins JPT et al. J R Stat Soc A
2009;172:137-159 (prediction, t with groups - 2).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit
from scipy.stats import norm, t

from examtally.analytics.examiner_effects.maximum_likelihood import fit_estimates
from examtally.analytics.intervals import FloatArray

LEAST = 4
"""Groups below which nothing is pooled: the spread between them cannot be known."""


@dataclass(frozen=True)
class PooledFigure:
    """A probability with its interval, and the limits for a group that is not among these."""

    estimate: float
    low: float
    high: float
    predict_low: float
    predict_high: float
    between_sd: float


@dataclass(frozen=True)
class Together:
    """Sensitivity and specificity over `groups` groups; `correlation` is that of their logits between groups."""

    sensitivity: PooledFigure
    specificity: PooledFigure
    correlation: float
    groups: int


def pool_groups(
    logits: npt.ArrayLike, covariance: npt.ArrayLike, shared: npt.ArrayLike | None = None, *, level: float = 0.95
) -> Together | None:
    """Pool `logits` (g, 2) of sensitivity and specificity, NaN where a group shows none.

    `covariance` (g, 2, 2) is that within each group; `shared` of the same shape is the part of it that stems from what
    all groups assume alike, none if not given. None where fewer than 4 groups show either measure. ValueError where a
    covariance is not positive definite.

    The mean is weighted by what is each group's own; its variance gains the shared part whole. Intervals use t with
    groups - 1 degrees of freedom for what the groups tell, prediction t with groups - 2.
    """
    y, within = np.asarray(logits, np.float64), np.asarray(covariance, np.float64)
    common = np.zeros_like(within) if shared is None else np.asarray(shared, np.float64)
    known = np.isfinite(y)
    if known.sum(axis=0).min(initial=LEAST) < LEAST or y.shape[0] < LEAST:
        return None
    own = within - common
    found = fit_estimates(y, own, restricted=True)
    between = np.array([[found.variance[0], found.covariance], [found.covariance, found.variance[1]]])
    weights = np.array([_precision(own[place] + between, known[place]) for place in range(len(y))])
    spread = np.linalg.inv(weights.sum(axis=0))
    filled = np.where(known, y, 0.0)
    mean = spread @ np.einsum("gij,gj->i", weights, filled)
    reach = np.einsum("ij,gjk,gkl->il", spread, weights, np.array([_root(each) for each in common]))
    apart, alike = np.diag(spread), np.diag(reach @ reach.T)
    groups = known.sum(axis=0)
    figures = [_figure(mean[at], apart[at], alike[at], between[at, at], int(groups[at]), level) for at in range(2)]
    return Together(figures[0], figures[1], found.correlation, len(y))


def without_each(
    logits: npt.ArrayLike, covariance: npt.ArrayLike, shared: npt.ArrayLike, *, level: float = 0.95
) -> Iterator[Together | None]:
    """The same without one group each, in their order."""
    parts = [np.asarray(each, np.float64) for each in (logits, covariance, shared)]
    for place in range(len(parts[0])):
        yield pool_groups(*(np.delete(each, place, axis=0) for each in parts), level=level)


def own_interval(logit: float, variance: float, *, level: float = 0.95) -> tuple[float, float]:
    """The interval of one group's own figure, as a probability."""
    reach = norm.ppf((1 + level) / 2) * variance**0.5
    return float(expit(logit - reach)), float(expit(logit + reach))


def _precision(covariance: FloatArray, known: npt.NDArray[np.bool_]) -> FloatArray:
    """Inverse of the covariance of what a group shows, 0 for what it does not."""
    made = np.zeros((2, 2))
    at = np.ix_(known, known)
    made[at] = np.linalg.inv(covariance[at])
    return made


def _root(covariance: FloatArray) -> FloatArray:
    """The symmetric square root of a covariance; rounding below 0 is 0."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T)


def _figure(mean: float, apart: float, alike: float, between: float, groups: int, level: float) -> PooledFigure:
    """`apart` is the variance that more groups would lessen, `alike` what they have in common."""
    tail = (1 + level) / 2
    assumed = norm.ppf(tail) ** 2 * alike
    reach = np.sqrt(t.ppf(tail, groups - 1) ** 2 * apart + assumed)
    further = np.sqrt(t.ppf(tail, groups - 2) ** 2 * (apart + between) + assumed)
    low, high, below, above = expit([mean - reach, mean + reach, mean - further, mean + further]).tolist()
    return PooledFigure(float(expit(mean)), low, high, below, above, float(np.sqrt(between)))
