"""Interval of the difference of two proportions, built from the interval of each and their correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import FloatArray, Interval
from examtally.analytics.proportions import wilson


@dataclass(frozen=True)
class PairedDifference:
    """Both proportions, a - b with its limits, and the correlation the limits allow for."""

    estimate_a: FloatArray
    estimate_b: FloatArray
    difference: FloatArray
    limits: Interval
    phi: FloatArray


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


def paired_difference(
    both: npt.ArrayLike, only_a: npt.ArrayLike, only_b: npt.ArrayLike, neither: npt.ArrayLike, level: float = 0.95
) -> PairedDifference:
    """Difference of two proportions found on the same independent knees.

    The four counts (both count, a alone, b alone, neither) are of one shape; NaN throughout where all are 0.
    ValueError for a negative count.

    Source: Newcombe RG. Stat Med 1998;17:2635–2650, method 10; 36, 12, 2, 0 is in his Table II.

    >>> found = paired_difference(36, 12, 2, 0)
    >>> f"{found.difference:.2f} {found.limits.low:.4f} {found.limits.high:.4f}"
    '0.20 0.0569 0.3404'
    """
    counts = np.broadcast_arrays(*(np.asarray(x, dtype=np.float64) for x in (both, only_a, only_b, neither)))
    e, f, g, h = counts
    if np.any(np.stack(counts) < 0):
        raise ValueError("counts are 0 or more")
    n = e + f + g + h
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (e + f) / n, (e + g) / n
        raw = (e * h - f * g) / np.sqrt((e + f) * (g + h) * (e + g) * (f + h))
    phi = shrunk_correlation(raw, a, b, n)
    limits = hybrid_interval(a, wilson(e + f, n, level), b, wilson(e + g, n, level), phi)
    return PairedDifference(a, b, a - b, limits, phi)
