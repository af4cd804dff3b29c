"""The jackknife that leaves out one cluster at a time, for many groups and statistics at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.intervals import FloatArray


@dataclass(frozen=True)
class Jackknife:
    """Estimates and standard errors (groups, statistics), and the clusters behind each group (groups,).

    A standard error is NaN with fewer than two clusters, or where a statistic cannot be had without one of them.
    """

    estimate: FloatArray
    se: FloatArray
    clusters: IntArray


def clustered_jackknife(
    sums: FloatArray, times: IntArray, group: IntArray, groups: int, statistics: Callable[[FloatArray], FloatArray]
) -> Jackknife:
    """Estimate statistics that depend on totals only, with the standard error of leaving out a cluster at a time.

    `sums` (C, q) holds what a cluster adds to the totals of its group, `times` (C,) how many clusters add just that,
    `group` (C,) codes 0 … `groups` − 1;
    `statistics` takes totals (…, q) to statistics (…, s), NaN where one cannot be had. The variance is
    (m − 1)/m · Σ(θ₋ᵢ − mean)², m clusters. Efron B, Tibshirani RJ. An Introduction to the Bootstrap. 1993, chapter 11.
    """
    counted = times[:, None]
    whole = totals(counted * sums, group, groups)
    clusters = totals(times, group, groups).astype(np.int64)
    without = statistics(whole[group] - sums)
    m = np.maximum(clusters, 1)[:, None]
    mean = totals(counted * without, group, groups) / m
    spread = totals(counted * (without - mean[group]) ** 2, group, groups) * (m - 1) / m
    se = np.where(clusters[:, None] >= 2, np.sqrt(spread), np.nan)
    return Jackknife(statistics(whole), se, clusters)


def totals(values: FloatArray | IntArray, group: IntArray, groups: int) -> FloatArray:
    """Sum the rows of `values`, (C,) or (C, q), by group: shape (groups,) or (groups, q)."""
    total = np.zeros((groups, *values.shape[1:]))
    np.add.at(total, group, values)
    return total
