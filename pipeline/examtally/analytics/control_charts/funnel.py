"""The funnel: shares of places of different size about one share, with limits for what chance alone would give."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from examtally.analytics.intervals import BoolArray, FloatArray, IntArray

LEVEL = 0.998
_WINSORISED = 0.1


@dataclass(frozen=True)
class Funnel:
    """Limits of each place, within 0 and 1; `dispersion` is 1 where the places differ no more than chance allows.

    `outside` tells the places beyond their limits, and so far that chance hardly brings one there.
    """

    centre: float
    low: FloatArray
    high: FloatArray
    outside: BoolArray
    dispersion: float


def funnel(events: IntArray, sizes: IntArray, level: float = LEVEL) -> Funnel:
    """Judge the share of each place, (places,), against the share of all of them; sizes are above 0.

    Exact binomial limits, widened by the square root of the winsorised dispersion where it is beyond chance. The
    interpolated upper limit lies below the binomial quantile itself, which chance may reach often in a small place (30
    of 30 at a share of 95 %): above it only what exceeds the quantile is outside.
    Source: Spiegelhalter DJ. Stat Med 2005;24:1185-1202, appendix A.1.1 and on over-dispersion. ValueError for an
    empty place.

    >>> made = funnel(np.array([30, 270]), np.array([30, 286]))
    >>> made.high.round(4).tolist(), made.outside.tolist()
    ([0.9998, 0.9826], [False, False])
    """
    if np.any(sizes <= 0):
        raise ValueError("every place of a funnel needs a denominator")
    centre = float(events.sum() / sizes.sum())
    if not 0 < centre < 1:
        edge = np.full(sizes.shape, centre)
        return Funnel(centre, edge, edge, np.zeros(sizes.shape, dtype=bool), 1.0)
    phi = dispersion(events, sizes, centre)
    low, high = binomial_funnel(centre, sizes, level)
    low, high = (centre + np.sqrt(phi) * (limit - centre) for limit in (low, high))
    low, high = np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)
    share = events / sizes
    is_rare = binom.sf(events - 1, sizes, centre) <= (1 - level) / 2
    return Funnel(centre, low, high, (share < low) | (share > high) & is_rare, phi)


def binomial_funnel(centre: float, sizes: IntArray, level: float = LEVEL) -> tuple[FloatArray, FloatArray]:
    """Exact binomial limits with interpolation between whole numbers; a lower one may lie below 0 and is not cut off.

    With r the binomial quantile and F its distribution, the limit is (r - a) / n, a = (F(r) - q) / (F(r) - F(r - 1)).
    Source: Spiegelhalter 2005, appendix A.1.1.
    """
    tail = (1 - level) / 2
    return _limit(centre, sizes, tail), _limit(centre, sizes, 1 - tail)


def dispersion(events: IntArray, sizes: IntArray, centre: float) -> float:
    """Mean squared z-value after the outer tenths are pulled in; 1 unless it is above 1 by two standard errors.

    Source: Spiegelhalter 2005, multiplicative over-dispersion with winsorised z-values.
    """
    z = np.sort((events / sizes - centre) / np.sqrt(centre * (1 - centre) / sizes))
    low, high = np.quantile(z, [_WINSORISED, 1 - _WINSORISED])
    phi = float((np.clip(z, low, high) ** 2).mean())
    return phi if phi > 1 + 2 * np.sqrt(2 / z.size) else 1.0


def _limit(centre: float, sizes: IntArray, quantile: float) -> FloatArray:
    r = binom.ppf(quantile, sizes, centre)
    below, at = binom.cdf(r - 1, sizes, centre), binom.cdf(r, sizes, centre)
    limit: FloatArray = (r - (at - quantile) / (at - below)) / sizes
    return limit
