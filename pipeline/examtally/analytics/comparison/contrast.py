"""Contrasts of two stacked tables: differences of proportions, ratios of proportions and of likelihood ratios."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr
from scipy.stats import norm

from examtally.analytics.comparison.joint import Joint
from examtally.analytics.comparison.stacked import A, B, Estimates, Stacked
from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.diagnostic_accuracy.proportions import wilson
from examtally.analytics.intervals import FloatArray, Interval, TextArray, normal_quantile, t_quantile
from examtally.analytics.verification_bias.corrected import CorrectedCells, correct


def hybrid_interval(
    estimate_a: npt.ArrayLike, limits_a: Interval, estimate_b: npt.ArrayLike, limits_b: Interval, rho: npt.ArrayLike
) -> Interval:
    """Limits of a - b by squaring and adding the arms of each interval; `rho` is the correlation of the estimates.

    With `rho` 0 the estimates are independent. NaN in gives NaN out. All of one shape, or scalars.

    Source: Newcombe RG. Stat Med 1998;17:2635–2650, method 10 (paired), and 17:873–890, method 10 (rho = 0); with other
    intervals than Wilson's: Zou GY, Donner A. Stat Med 2008;27:1693–1702, eq. 7 with covariance.
    """
    a, b = np.asarray(estimate_a, dtype=np.float64), np.asarray(estimate_b, dtype=np.float64)
    r = np.asarray(rho, dtype=np.float64)
    below_a, above_a, below_b, above_b = a - limits_a.low, limits_a.high - a, b - limits_b.low, limits_b.high - b
    lower = np.sqrt(np.maximum(below_a**2 + above_b**2 - 2 * r * below_a * above_b, 0.0))
    upper = np.sqrt(np.maximum(above_a**2 + below_b**2 - 2 * r * above_a * below_b, 0.0))
    return Interval(np.maximum(a - b - lower, -1.0), np.minimum(a - b + upper, 1.0))


def shrunk_correlation(correlation: FloatArray, a: FloatArray, b: FloatArray, n: FloatArray) -> FloatArray:
    """The correlation with Newcombe's continuity correction; 0 where a proportion is 0 or 1.

    A positive one is lowered by 1 / (2n √(a(1 − a)b(1 − b))), not below 0: his max(ad − bc − n/2, 0). `n` may be an
    effective number of knees.
    """
    spread = np.sqrt(a * (1 - a) * b * (1 - b))
    usable = (spread > 0) & np.isfinite(correlation)
    less = 1.0 / (2 * np.where(usable, n * spread, 1.0))
    lowered = np.where(correlation > 0, np.maximum(correlation - less, 0.0), correlation)
    return np.where(usable, lowered, 0.0)


COMPARED = ("sensitivity", "specificity", "ppv", "npv", "lr_positive", "lr_negative")
DIFFERENCE, RATIO = "difference", "ratio"
SAME_KNEES = ("sensitivity", "specificity")


@dataclass(frozen=True)
class Contrast:
    """One contrast of every row: estimates of a and b, its value with limits, NaN where it cannot be had.

    `variance` is that of the value, on the logarithm for a ratio; `clusters` the participants behind it, infinite where
    knees are independent.
    """

    measure: str
    contrast: str
    estimate_a: FloatArray
    estimate_b: FloatArray
    value: FloatArray
    limits: Interval
    variance: FloatArray
    clusters: FloatArray


@dataclass(frozen=True)
class Significance:
    """Name of the test of every row (empty where there is none), its statistic and two-sided p value."""

    name: TextArray
    statistic: FloatArray
    p_value: FloatArray


def contrasts_of(measure: str) -> tuple[str, ...]:
    """Which contrasts a measure is given in: likelihood ratios only as a ratio."""
    return (DIFFERENCE, RATIO) if measure in PROPORTIONS else (RATIO,)


def observed_difference(joint: Joint, measure: str, level: float, *, is_paired: bool) -> Contrast:
    """Difference of a proportion on verified knees, with limits from both Wilson intervals and their correlation.

    Where participants have several knees, effective numbers of knees and the clustered correlation take their place.

    Source: Newcombe RG. Stat Med 1998;17:2635–2650, method 10; Rao & Scott 1992 for the effective numbers.
    """
    clusters = joint.clusters(joint.kinds_in(PROPORTIONS[measure][1]))
    found = joint.stacked.proportion(measure, clusters)
    size_a, size_b = (joint.effective(measure, side, found, level) for side in (0, 1))
    rho = np.nan_to_num(found.correlation)
    if is_paired and measure in SAME_KNEES:
        rho = shrunk_correlation(rho, found.a, found.b, np.sqrt(size_a * size_b))
    limits_a, limits_b = _wilson(found.a, size_a, level), _wilson(found.b, size_b, level)
    limits = hybrid_interval(found.a, limits_a, found.b, limits_b, rho)
    return _difference(measure, found, limits, clusters)


def observed_ratio(joint: Joint, measure: str, level: float) -> Contrast:
    """Ratio of a measure on verified knees, a / b, on the logarithmic scale; NaN where a cell it needs is 0.

    Source: relative sensitivity and specificity: Moskowitz CS, Pepe MS. Clin Trials 2006;3:272–279, section 3; relative
    likelihood ratios: Roldán Nofuentes JA, Luna del Castillo JD. Stat Med 2007;26:4179–4201, section 3; delta method
    with the covariance of the two tables.
    """
    kinds = joint.kinds_in(PROPORTIONS[measure][1] if measure in PROPORTIONS else "all")
    return _ratio(joint.stacked, measure, joint.clusters(kinds), level)


def corrected_contrast(table: Stacked, clusters: FloatArray, measure: str, contrast: str, level: float) -> Contrast:
    """A contrast of tables corrected for verification: its influence is the difference of both influence functions.

    Source: Alonzo TA, Pepe MS. J R Stat Soc C 2005;54:173–190, section 3.2, for each; delta method for the contrast.
    """
    if contrast == RATIO:
        return _ratio(table, measure, clusters, level)
    found = table.proportion(measure, clusters)
    limits_a, limits_b = (
        correct(CorrectedCells(table.cells[:, side], table.products[:, side, side], clusters), measure, level).limits
        for side in (A, B)
    )
    limits = hybrid_interval(found.a, limits_a, found.b, limits_b, np.nan_to_num(found.correlation))
    return _difference(measure, found, limits, clusters)


def robust_test(made: Contrast, name: str) -> Significance:
    """Value (its logarithm for a ratio) over its standard error: t on participants - 1, normal where independent."""
    value = np.log(made.value) if made.contrast == RATIO else made.value
    usable = np.isfinite(value) & (made.variance > 0)
    statistic = np.where(usable, value / np.sqrt(np.where(usable, made.variance, 1.0)), np.nan)
    normal = 2 * norm.sf(np.abs(statistic))
    df = np.where(np.isfinite(made.clusters), made.clusters - 1, 1.0)
    p = np.where(np.isinf(made.clusters), normal, 2 * stdtr(np.maximum(df, 1.0), -np.abs(statistic)))
    return Significance(np.where(usable, name, ""), statistic, p)


def _wilson(estimate: FloatArray, size: FloatArray, level: float) -> Interval:
    known = np.isfinite(estimate) & np.isfinite(size)
    n = np.where(known, size, 0.0)
    return wilson(np.clip(np.where(known, estimate, 0.0) * n, 0.0, n), n, level)


def _difference(measure: str, found: Estimates, limits: Interval, clusters: FloatArray) -> Contrast:
    is_point = ~(limits.low < limits.high)  # no knee tells the two apart
    low, high = np.where(is_point, np.nan, limits.low), np.where(is_point, np.nan, limits.high)
    value = found.a - found.b
    return Contrast(measure, DIFFERENCE, found.a, found.b, value, Interval(low, high), found.variance, clusters)


def _ratio(table: Stacked, measure: str, clusters: FloatArray, level: float) -> Contrast:
    found = table.logarithm(measure, clusters)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = found.a / found.b
    usable = np.isfinite(value) & (value > 0)
    value = np.where(usable, value, np.nan)
    spread = np.where(usable & (found.variance > 0), found.variance, np.nan)
    quantile = np.where(np.isinf(clusters), normal_quantile(level), t_quantile(level, clusters - 1))
    factor = np.exp(quantile * np.sqrt(spread))
    return Contrast(measure, RATIO, found.a, found.b, value, Interval(value / factor, value * factor), spread, clusters)
