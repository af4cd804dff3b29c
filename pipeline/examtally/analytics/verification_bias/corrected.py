"""From corrected 2x2 tables, whose cells are sums of knees' contributions, to every measure with its interval.

Cells stand in the order tp, fp, fn, tn and need not be whole. Every measure is a ratio of sums of them, so that the
influence of a knee is its contribution times the gradient, and the clustered variance a quadratic form in the products
of contributions summed over participants; covariances between sensitivity and specificity are in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from examtally.analytics.diagnostic_accuracy import likelihood_ratios as ratios
from examtally.analytics.diagnostic_accuracy.clustering import linear_covariance, ratio_weights
from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.diagnostic_accuracy.predictive_values import predictive_value
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS
from examtally.analytics.intervals import BoolArray, FloatArray, Interval, normal_quantile

MEASURES = (*PROPORTIONS, *ratios.RATIOS, ratios.ODDS_RATIO)


@dataclass(frozen=True)
class CorrectedCells:
    """Corrected tables: `cells` (rows, 4), `products` (rows, 4, 4) over participants, and the `clusters` (rows,).

    With infinite `clusters` knees are independent and nothing is multiplied by m/(m-1).
    """

    cells: FloatArray
    products: FloatArray
    clusters: FloatArray


@dataclass(frozen=True)
class Corrected:
    """One measure of every row: estimate, variance on the logit scale (ratios: log scale) and limits, NaN for none."""

    measure: str
    estimate: FloatArray
    variance: FloatArray
    limits: Interval


def correct(table: CorrectedCells, measure: str, level: float = 0.95) -> Corrected:
    """Return the measure of every corrected table with its interval, NaN where it is not strictly inside its range.

    Source: delta method on the influence function, summed over participants with m/(m-1): Alonzo TA, Pepe MS. J R Stat
    Soc C 2005;54:173–190, section 3.2 and appendix; logit and log scales as Zhou XH. Stat Methods Med Res 1998;7:337.
    """
    estimate, weights = _linear(table.cells, measure)
    variance = _quadratic(table, weights)
    usable = np.isfinite(estimate) & np.isfinite(variance)
    estimate, variance = np.where(usable, estimate, np.nan), np.where(usable, variance, np.nan)
    half = normal_quantile(level) * np.sqrt(variance)
    if measure in PROPORTIONS:
        centre = logit(estimate)
        return Corrected(measure, estimate, variance, Interval(expit(centre - half), expit(centre + half)))
    return Corrected(measure, estimate, variance, Interval(estimate * np.exp(-half), estimate * np.exp(half)))


def correct_at(table: CorrectedCells, measure: str, prevalence: FloatArray, level: float = 0.95) -> Corrected:
    """ppv or npv at another prevalence, (rows,), from the corrected likelihood ratio.

    Source: Mercaldo ND, Lau KF, Zhou XH. Stat Med 2007;26:2170–2183; see `predictive.predictive_value`.
    """
    ratio = correct(table, {"ppv": "lr_positive", "npv": "lr_negative"}[measure], level)
    estimate, limits = predictive_value(measure, prevalence, ratio.estimate, ratio.variance, normal_quantile(level))
    return Corrected(measure, estimate, ratio.variance, limits)


def covariance_of_logits(table: CorrectedCells) -> FloatArray:
    """Covariance of the logits of sensitivity and specificity, (rows,); NaN where either is not strictly inside 0–1."""
    _, first = _linear(table.cells, "sensitivity")
    _, second = _linear(table.cells, "specificity")
    return _quadratic(table, first, second)


def _linear(cells: FloatArray, measure: str) -> tuple[FloatArray, FloatArray]:
    """The estimate, (rows,), and the weight of each cell in its logit or logarithm, (rows, 4)."""
    usable = is_inside(cells, measure)
    if measure in PROPORTIONS:
        events, denominator = PROPORTIONS[measure]
        inside = DENOMINATORS[denominator]
        total = cells @ np.array([float(cell in inside) for cell in ("tp", "fp", "fn", "tn")])
        with np.errstate(divide="ignore", invalid="ignore"):
            estimate = (cells @ np.array([float(cell in events) for cell in ("tp", "fp", "fn", "tn")])) / total
            weights = ratio_weights(cells, events, inside) / (estimate * (1 - estimate))[:, None]
    else:
        estimate, weights = ratios.point(measure, cells), ratios.influence(measure, cells)
    return np.where(usable, estimate, np.nan), np.where(usable[:, None], weights, np.nan)


def is_inside(cells: FloatArray, measure: str) -> BoolArray:
    """Rows in which both what counts and what does not are positive; for ratios every cell."""
    if measure not in PROPORTIONS:
        return np.asarray((cells > 0).all(axis=1))
    events, denominator = PROPORTIONS[measure]
    counted = [cell in events for cell in ("tp", "fp", "fn", "tn")]
    others = [cell in DENOMINATORS[denominator] and cell not in events for cell in ("tp", "fp", "fn", "tn")]
    return np.asarray((cells[:, counted].sum(axis=1) > 0) & (cells[:, others].sum(axis=1) > 0))


def _quadratic(table: CorrectedCells, first: FloatArray, second: FloatArray | None = None) -> FloatArray:
    other = first if second is None else second
    independent = np.isinf(table.clusters)
    clustered = linear_covariance(first, other, table.products, np.where(independent, 2.0, table.clusters))
    return np.where(independent, clustered / 2.0, clustered)
