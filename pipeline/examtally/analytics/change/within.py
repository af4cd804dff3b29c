"""Weighted least squares within examiners, with examiners as clusters.

Each examiner has an own level, so that a difference is one within examiners, whoever came or left. Only sums of each
examiner are needed, so leaving one out is a subtraction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.stats import t as student
from statsmodels.stats.power import TTestPower

from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.intervals import FloatArray, t_quantile

FEWEST_EXAMINERS = 3
"""Examiners behind a contrast, in each arm, under which nothing is said."""


@dataclass(frozen=True)
class Difference:
    """A coefficient with its variance and degrees of freedom; NaN where it cannot be had."""

    value: float
    variance: float
    df: float

    def widened(self, variance: float) -> Difference:
        """The same with a variance that does not come from examiners added; degrees of freedom by Satterthwaite."""
        total = self.variance + variance
        df = self.df * (total / self.variance) ** 2 if self.variance > 0 else self.df
        return replace(self, variance=total, df=df)

    @property
    def p_value(self) -> float:
        """Two-sided, t on `df`."""
        if not self.variance > 0:
            return float("nan")
        return float(2 * student.sf(abs(self.value) / np.sqrt(self.variance), self.df))

    def limits(self, level: float) -> tuple[float, float]:
        """Limits of a difference of two shares, within -1 and 1; NaN where there are none."""
        if not self.variance > 0:
            return float("nan"), float("nan")
        half = float(t_quantile(level, self.df)) * np.sqrt(self.variance)
        return max(self.value - half, -1.0), min(self.value + half, 1.0)


@dataclass(frozen=True)
class ExaminerSums:
    """Of each examiner, about the examiner's own weighted mean: `xx` (g, p, p) of the columns, `xy` (g, p) with y."""

    xx: FloatArray
    xy: FloatArray


def sums_within(x: FloatArray, y: FloatArray, weight: FloatArray, examiner: IntArray, examiners: int) -> ExaminerSums:
    """ExaminerSums of n rows: `x` (n, p), `y`, `weight` (n,), `examiner` (n,) from 0 to `examiners` - 1."""
    values = np.column_stack([x, y])
    whole = np.zeros(examiners)
    np.add.at(whole, examiner, weight)
    first = np.zeros((examiners, values.shape[1]))
    np.add.at(first, examiner, weight[:, None] * values)
    centred = values - (first / np.where(whole > 0, whole, 1)[:, None])[examiner]
    order = np.argsort(examiner, kind="stable")
    starts = np.searchsorted(examiner[order], np.arange(examiners + 1))
    products = np.stack(
        [
            (weight[rows, None] * centred[rows]).T @ centred[rows]
            for rows in (order[begin:end] for begin, end in pairwise(starts))
        ]
    )
    return ExaminerSums(products[:, :-1, :-1], products[:, :-1, -1])


def solve(sums: ExaminerSums) -> FloatArray:
    """The coefficients (p,); NaN where the columns do not tell them apart."""
    return _coefficients(sums.xx.sum(axis=0), sums.xy.sum(axis=0))


def contrast(sums: ExaminerSums, column: int, arms: int) -> Difference:
    """The coefficient of one column, its variance with examiners as clusters, and degrees of freedom.

    The variance is the sum over examiners of d0 d3: d3 is by how much the coefficient changes without the examiner, d0
    by how much it would if the sums of squares stayed. With one column that is the bias-reduced variance, each residual
    divided by the root of what its own weight leaves of it. Degrees of freedom are the effective number of examiners
    less `arms`: (sum a)^2 / sum a^2 with a the part of each examiner in the coefficient's variance under independent
    knees. NaN with fewer than `FEWEST_EXAMINERS` an arm.

    Source: Bell RM, McCaffrey DF. Survey Methodology 2002;28(2):169-181, section 3; Carter AV, Schnepel KT, Steigerwald
    DG. Rev Econ Stat 2017;99:698-709 (the effective number of clusters).
    """
    xx, xy = sums.xx.sum(axis=0), sums.xy.sum(axis=0)
    whole = _coefficients(xx, xy)
    nothing = Difference(float(whole[column]), float("nan"), float("nan"))
    if np.isnan(whole[column]):
        return nothing
    inverse = np.linalg.inv(xx)[column]
    part = np.einsum("i,gij,j->g", inverse, sums.xx, inverse)
    telling = np.flatnonzero(part > 1e-9 * part.sum())
    without = np.array([_coefficients(xx - sums.xx[g], xy - sums.xy[g])[column] for g in telling])
    df = part.sum() ** 2 / (part**2).sum() - arms
    if telling.size < FEWEST_EXAMINERS * arms or np.isnan(without).any() or df < 1:
        return nothing
    kept = (sums.xy - sums.xx @ whole) @ inverse
    variance = (kept[telling] * (whole[column] - without)).sum()
    return replace(nothing, variance=float(max(variance, 0.0)), df=float(df))


def change_power(
    before: float, gain: float, examiners: int, knees: int, spread: float = 0.05, tail: float = 0.025
) -> float:
    """Power to find a change of `gain` in a share of `before`, by examiners each with `knees` before and after.

    The difference of an examiner varies by chance and by `spread`, the standard deviation of true changes between
    examiners; the mean of all is tested against 0 with t on examiners - 1. Knees are those of the measure (with the
    condition for sensitivity) whose status is known; knees never imaged tell less and are not counted.

    ValueError names an argument that is not legal.

    >>> f"{change_power(0.7, 0.15, 14, 20):.2f}"
    '0.96'
    """
    after = before + gain
    rules = {
        "before and before + gain must lie above 0 and below 1": 0 < before < 1 and 0 < after < 1 and gain != 0,
        f"examiners must be {FEWEST_EXAMINERS} to 1000": FEWEST_EXAMINERS <= examiners <= 1000,
        "knees must be 1 or more": knees >= 1,
        "spread must lie from 0 to below 0.5": 0 <= spread < 0.5,
    }
    for words, is_kept in rules.items():
        if not is_kept:
            raise ValueError(words)
    variance = (before * (1 - before) + after * (1 - after)) / knees + spread**2
    return float(TTestPower().power(abs(gain) / variance**0.5, examiners, 2 * tail))


def _coefficients(xx: FloatArray, xy: FloatArray) -> FloatArray:
    scale = np.sqrt(np.diag(xx))
    if (scale <= 0).any() or np.linalg.cond(xx / np.outer(scale, scale)) > 1e8:
        return np.full(xy.size, np.nan)
    return np.asarray(np.linalg.solve(xx, xy))
