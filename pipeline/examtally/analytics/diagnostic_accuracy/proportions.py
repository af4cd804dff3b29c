"""Confidence intervals of a binomial proportion, vectorised over rows and over numbers that need not be whole.

All functions take `events` and `n` as arrays of one shape (or scalars) with 0 <= events <= n, a confidence `level`, and
return limits within 0 and 1. `n` may be an effective sample size. Where `n` is 0 or either is NaN both limits are NaN.
They raise ValueError where events lie outside 0 and n.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv

from examtally.analytics.intervals import FloatArray, Interval, normal_quantile


def wilson(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Score interval without continuity correction; its limits at 0/n and n/n are exactly 0 and 1.

    Source: Wilson EB. J Am Stat Assoc 1927;22:209-212; Newcombe RG. Stat Med 1998;17:857-872, method 3.

    >>> limits = wilson(81, 263)
    >>> f"{limits.low:.4f} {limits.high:.4f}"
    '0.2553 0.3662'
    """
    x, size = _counts(events, n)
    z = normal_quantile(level)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = x / size
        centre = (p + z**2 / (2 * size)) / (1 + z**2 / size)
        half = z / (1 + z**2 / size) * np.sqrt(p * (1 - p) / size + z**2 / (4 * size**2))
    return _within(centre - half, centre + half, x, size)


def clopper_pearson(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Exact interval from the beta quantiles; with an effective `n`, that of Korn and Graubard.

    Source: Clopper CJ, Pearson ES. Biometrika 1934;26:404-413; Korn EL, Graubard BI. Surv Methodol 1998;24:193-201.

    >>> limits = clopper_pearson(81, 263)
    >>> f"{limits.low:.4f} {limits.high:.4f}"
    '0.2527 0.3676'
    """
    x, size = _counts(events, n)
    tail = _tail(level)
    return _within(_beta(tail, x, size - x + 1), _beta(1 - tail, x + 1, size - x), x, size)


def jeffreys(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95, *, closed: bool = True) -> Interval:
    """Equal-tailed interval of the Beta(events + 1/2, n - events + 1/2) posterior.

    With `closed` (the recommendation of Brown, Cai & DasGupta) the lower limit at 0/n is 0 and the upper limit at n/n
    is 1; without it they are the raw quantiles, just inside.

    Source: Brown LD, Cai TT, DasGupta A. Stat Sci 2001;16:101-133, section 3.1.2 and 4.1.1.

    >>> limits = jeffreys(0, 20, closed=False)
    >>> f"{limits.low:.7f} {limits.high:.4f}"
    '0.0000242 0.1166'
    >>> float(jeffreys(0, 20).low)
    0.0
    """
    x, size = _counts(events, n)
    tail = _tail(level)
    low, high = _beta(tail, x + 0.5, size - x + 0.5), _beta(1 - tail, x + 0.5, size - x + 0.5)
    return _within(low, high, x, size) if closed else Interval(_known(low, x, size), _known(high, x, size))


def agresti_coull(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Wald interval round the Wilson midpoint, z^2/2 added to each outcome, cut off at 0 and 1.

    Source: Brown LD, Cai TT, DasGupta A. Stat Sci 2001;16:101-133, section 3.1.1.

    >>> limits = agresti_coull(81, 263)
    >>> f"{limits.low:.4f} {limits.high:.4f}"
    '0.2552 0.3663'
    """
    x, size = _counts(events, n)
    z = normal_quantile(level)
    padded = size + z**2
    p = (x + z**2 / 2) / padded
    half = z * np.sqrt(p * (1 - p) / padded)
    return Interval(_known(np.clip(p - half, 0, 1), x, size), _known(np.clip(p + half, 0, 1), x, size))


METHODS: Mapping[str, Callable[[npt.ArrayLike, npt.ArrayLike, float], Interval]] = MappingProxyType(
    {"wilson": wilson, "clopper_pearson": clopper_pearson, "jeffreys": jeffreys, "agresti_coull": agresti_coull}
)


def _counts(events: npt.ArrayLike, n: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, size = np.broadcast_arrays(np.asarray(events, dtype=np.float64), np.asarray(n, dtype=np.float64))
    if np.any((x < 0) | (x > size)):
        raise ValueError("events must lie within 0 and n")
    return x, size


def _tail(level: float) -> float:
    normal_quantile(level)
    return (1.0 - level) / 2.0


def _beta(probability: float, a: FloatArray, b: FloatArray) -> FloatArray:
    """Beta quantile; 0 or 1 where that side of the distribution is a point."""
    inside = (a > 0) & (b > 0)
    quantile = betaincinv(np.where(inside, a, 1.0), np.where(inside, b, 1.0), probability)
    return np.where(inside, quantile, np.where(a > 0, 1.0, 0.0))


def _within(low: FloatArray, high: FloatArray, x: FloatArray, n: FloatArray) -> Interval:
    """Put exact 0 and 1 where none or all are events, and NaN where nothing is known."""
    return Interval(_known(np.where(x == 0, 0.0, low), x, n), _known(np.where(x == n, 1.0, high), x, n))


def _known(limit: FloatArray, x: FloatArray, n: FloatArray) -> FloatArray:
    return np.where((n > 0) & ~np.isnan(x), limit, np.nan)
