"""Confidence intervals of a binomial proportion, vectorised over rows and over numbers that need not be whole.

All functions take `events` and `n` as arrays of one shape (or scalars) with 0 <= events <= n, a confidence `level`, and
return limits within 0 and 1. `n` may be an effective sample size. Where `n` is 0 or either is NaN both limits are NaN.
They raise ValueError where events lie outside 0 and n. The intervals are those of statsmodels, with the edges closed;
Wilson's is written out, so that a page with a few of them does without loading it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import FloatArray, Interval, normal_quantile


def wilson(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Score interval without continuity correction; its limits at 0/n and n/n are exactly 0 and 1.

    Source: Wilson EB. J Am Stat Assoc 1927;22:209-212; Newcombe RG. Stat Med 1998;17:857-872, method 3.

    >>> limits = wilson(81, 263)
    >>> f"{limits.low:.4f} {limits.high:.4f}"
    '0.2553 0.3662'
    """
    return _interval(events, n, level, _score)


def clopper_pearson(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Exact interval from the beta quantiles; with an effective `n`, that of Korn and Graubard.

    Source: Clopper CJ, Pearson ES. Biometrika 1934;26:404-413; Korn EL, Graubard BI. Surv Methodol 1998;24:193-201.

    >>> limits = clopper_pearson(81, 263)
    >>> f"{limits.low:.4f} {limits.high:.4f}"
    '0.2527 0.3676'
    """
    return _interval(events, n, level, _of_statsmodels("beta"))


def jeffreys(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Equal-tailed interval of the Beta(events + 1/2, n - events + 1/2) posterior, closed at the edges.

    The lower limit at 0/n is 0 and the upper limit at n/n is 1, as Brown, Cai & DasGupta recommend.

    Source: Brown LD, Cai TT, DasGupta A. Stat Sci 2001;16:101-133, section 3.1.2 and 4.1.1.

    >>> limits = jeffreys(0, 20)
    >>> f"{limits.low:.4f} {limits.high:.4f}"
    '0.0000 0.1166'
    """
    return _interval(events, n, level, _of_statsmodels("jeffreys"))


def agresti_coull(events: npt.ArrayLike, n: npt.ArrayLike, level: float = 0.95) -> Interval:
    """Wald interval round the Wilson midpoint, z^2/2 added to each outcome, cut off at 0 and 1.

    Source: Brown LD, Cai TT, DasGupta A. Stat Sci 2001;16:101-133, section 3.1.1.

    >>> limits = agresti_coull(81, 263)
    >>> f"{limits.low:.4f} {limits.high:.4f}"
    '0.2552 0.3663'
    """
    return _interval(events, n, level, _of_statsmodels("agresti_coull"), is_closed=False)


_Limits: TypeAlias = Callable[[FloatArray, FloatArray, float], tuple[FloatArray, FloatArray]]

METHODS: Mapping[str, Callable[[npt.ArrayLike, npt.ArrayLike, float], Interval]] = MappingProxyType(
    {"wilson": wilson, "clopper_pearson": clopper_pearson, "jeffreys": jeffreys, "agresti_coull": agresti_coull}
)


def _interval(
    events: npt.ArrayLike, n: npt.ArrayLike, level: float, limits: _Limits, *, is_closed: bool = True
) -> Interval:
    """The limits, NaN where nothing is known; with `is_closed` exact 0 and 1 where none or all are events."""
    if not 0.0 < level < 1.0:
        raise ValueError("level must lie between 0 and 1, as 0.95")
    x, size = np.broadcast_arrays(np.asarray(events, dtype=np.float64), np.asarray(n, dtype=np.float64))
    if np.any((x < 0) | (x > size)):
        raise ValueError("events must lie within 0 and n")
    is_known = (size > 0) & ~np.isnan(x)
    low, high = limits(np.where(is_known, x, 0.5), np.where(is_known, size, 1.0), level)
    if is_closed:
        low, high = np.where(x == 0, 0.0, low), np.where(x == size, 1.0, high)
    return Interval(np.where(is_known, low, np.nan), np.where(is_known, high, np.nan))


def _score(events: FloatArray, n: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Wilson's limits: (p + z²/2n ± z √(p(1 − p)/n + z²/4n²)) / (1 + z²/n)."""
    z, share = normal_quantile(level), events / n
    scale = 1 + z**2 / n
    middle = (share + z**2 / (2 * n)) / scale
    reach = z * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)) / scale
    return middle - reach, middle + reach


def _of_statsmodels(method: str) -> _Limits:
    """The limits by a method of statsmodels, which brings pandas: not for what only reads figures."""

    def limits(events: FloatArray, n: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
        from statsmodels.stats.proportion import proportion_confint

        low, high = proportion_confint(events, n, 1 - level, method)
        return low, high

    return limits
