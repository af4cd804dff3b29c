"""Limits of a share by period: the p-chart, and Laney's p'-chart where periods differ more than chance allows."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from examtally.analytics.intervals import BoolArray, FloatArray, IntArray

SIGMAS = 3.0
_D2 = 1.128  # mean range of two standard normal values
_OVERDISPERSED = 0.01


def share_limits(centre: float, sizes: IntArray, sigma: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Lower and upper three-standard-deviation limits about `centre`, one a period of `sizes`, within 0 and 1.

    `sigma` is the dispersion beyond chance, 1 for the plain p-chart. A period without a denominator has no limits
    (NaN). Shewhart's p-chart as in Montgomery, Introduction to Statistical Quality Control, section 7.2; Laney,
    Quality Engineering 2002;14:531-537.

    >>> low, high = share_limits(0.1, np.array([100, 0]))
    >>> low.round(3).tolist(), high.round(3).tolist()
    ([0.01, nan], [0.19, nan])
    """
    with np.errstate(divide="ignore"):
        half = SIGMAS * sigma * np.sqrt(centre * (1 - centre) / sizes)
    half = np.where(sizes > 0, half, np.nan)
    return np.clip(centre - half, 0.0, 1.0), np.clip(centre + half, 0.0, 1.0)


def laney_sigma(events: IntArray, sizes: IntArray) -> float:
    """Dispersion of the shares of consecutive periods in units of what chance alone gives; 1 is chance.

    The mean moving range of the z-values over 1.128 (Laney 2002). Periods without a denominator are left out; 1 where
    fewer than two remain or all or none are events.
    """
    z = _z_values(events, sizes)
    return float(np.abs(np.diff(z)).mean() / _D2) if z.size > 1 else 1.0


def is_overdispersed(events: IntArray, sizes: IntArray) -> bool:
    """Whether the periods differ more than chance allows: Pearson's chi-squared test at the 1 % level."""
    z = _z_values(events, sizes)
    return z.size > 1 and bool(chi2.sf((z**2).sum(), z.size - 1) < _OVERDISPERSED)


def _z_values(events: IntArray, sizes: IntArray) -> FloatArray:
    seen = sizes > 0
    events, sizes = events[seen], sizes[seen]
    total = sizes.sum()
    centre = events.sum() / total if total else 0.0
    if not 0 < centre < 1:
        return np.empty(0)
    return (events / sizes - centre) / np.sqrt(centre * (1 - centre) / sizes)


RUN = 8


def outside(values: FloatArray, low: FloatArray, high: FloatArray) -> BoolArray:
    """Points outside their limits; NaN where there is no point, which is never outside."""
    return (values < low) | (values > high)


def in_run(values: FloatArray, centre: float) -> BoolArray:
    """Points that end a run of eight or more on one side of `centre`.

    A point on the centre, or a missing one, neither lengthens nor breaks a run (Perla, Provost & Murray, BMJ Quality
    and Safety 2011;20:46-51, with a run of eight).

    >>> in_run(np.array([.1] * 4 + [.5, np.nan] + [.1] * 5), 0.5).nonzero()[0].tolist()
    [9, 10]
    """
    sides: IntArray = np.where(np.isnan(values), 0, np.sign(values - centre)).astype(np.int64)
    ends = np.zeros(values.shape, dtype=bool)
    length, last = 0, 0
    for place in np.flatnonzero(sides):
        length = length + 1 if sides[place] == last else 1
        last = int(sides[place])
        ends[place] = length >= RUN
    return ends
