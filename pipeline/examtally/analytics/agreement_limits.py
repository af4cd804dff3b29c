"""Limits of agreement statistics from their jackknife standard errors."""

from __future__ import annotations

import numpy as np

from examtally.analytics.agreement_sums import CALL_STATISTICS, call_statistics
from examtally.analytics.clustering import effective_size
from examtally.analytics.forecasts import IntArray
from examtally.analytics.intervals import FloatArray, Interval, t_quantile
from examtally.analytics.jackknife import Jackknife, totals
from examtally.analytics.proportions import wilson

_FULL = 1 - 1e-12
_CORRECTED = np.isin(CALL_STATISTICS, ("cohen_kappa", "pabak", "gwet_ac1", "fleiss_kappa", "krippendorff_alpha"))


def fisher_limits(jackknife: Jackknife, level: float) -> Interval:
    """Limits on the scale of Fisher's z with t on clusters − 1, which keeps them within −1 and 1.

    NaN where there is no standard error, or where the estimate is −1 or 1.
    """
    estimate, t = jackknife.estimate, t_quantile(level, jackknife.clusters - 1)[:, None]
    usable = (np.abs(estimate) < _FULL) & (jackknife.se > 1e-9)
    inside = np.where(usable, estimate, 0.0)
    half = np.where(usable, t * jackknife.se / (1 - inside**2), np.nan)
    return Interval(np.tanh(np.arctanh(inside) - half), np.tanh(np.arctanh(inside) + half))


def call_limits(jackknife: Jackknife, sums: FloatArray, group: IntArray, level: float) -> Interval:
    """Limits of the statistics of `call_statistics`; `sums` and `group` are what the jackknife was made from.

    - The three shares of agreement: Wilson on the effective number of pairs (`effective_size`), on the number of
      participants where all or none agree.
    - The others: `fisher_limits`. Where every pair agrees, the upper limit of those corrected for chance is 1, and the
      lower one their value if the observed agreement lay at its own lower limit, the margins staying as they are.
    """
    limits = fisher_limits(jackknife, level)
    whole = totals(sums, group, jackknife.clusters.size)
    low, high = limits.low.copy(), limits.high.copy()
    for place, (agreeing, n) in enumerate(_shares(sums)):
        size = effective_size(
            totals(agreeing, group, whole.shape[0]),
            totals(n, group, whole.shape[0]),
            jackknife.se[:, place] ** 2,
            totals((n > 0).astype(np.float64), group, whole.shape[0]),
            level,
        ).n
        share = wilson(np.nan_to_num(jackknife.estimate[:, place]) * size, size, level)
        low[:, place], high[:, place] = share.low, share.high
    full = (jackknife.estimate > _FULL) & _CORRECTED
    return Interval(np.where(full, _lowered(whole, low[:, 0]), low), np.where(full, 1.0, high))


def _shares(sums: FloatArray) -> tuple[tuple[FloatArray, FloatArray], ...]:
    """Numerator and denominator of observed, positive and negative agreement, shapes (…)."""
    both, only_a, only_b, neither = np.moveaxis(sums[..., :4], -1, 0)
    unlike = only_a + only_b
    return (both + neither, both + neither + unlike), (2 * both, 2 * both + unlike), (2 * neither, 2 * neither + unlike)


def _lowered(whole: FloatArray, observed: FloatArray) -> FloatArray:
    """Statistics of totals in which every pair agrees, were only a share `observed` of them to do so."""
    both, _, _, neither, units, _, positive, ratings, _ = np.moveaxis(whole, -1, 0)
    unlike = (both + neither) * (1 - observed)
    cells = (both - unlike / 2, unlike / 2, unlike / 2, neither - unlike / 2)
    return call_statistics(
        np.stack([*cells, units, units * observed, positive, ratings, ratings * (1 - observed)], axis=-1)
    )
