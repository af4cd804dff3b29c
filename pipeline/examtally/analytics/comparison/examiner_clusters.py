"""Two groups of examiners compared: examiners are the clusters, so that the answer reaches examiners like these."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import t as student

from examtally.analytics.intervals import FloatArray, t_quantile

ENOUGH_EXAMINERS = 5
"""Examiners a group from which on a comparison is more than descriptive, and its variance its own."""


@dataclass(frozen=True)
class ExaminerContrast:
    """A difference of two proportions, a - b, with examiners as clusters; NaN where it cannot be had."""

    estimate_a: float
    estimate_b: float
    variance: float
    df: float
    examiners: tuple[int, int]
    farthest: float = 1.0

    def widened(self, variance: float) -> ExaminerContrast:
        """The same with a variance that does not come from examiners added; degrees of freedom by Satterthwaite."""
        total = self.variance + variance
        df = self.df * (total / self.variance) ** 2 if self.variance > 0 else self.df
        return replace(self, variance=total, df=df)

    @property
    def value(self) -> float:
        """a - b."""
        return self.estimate_a - self.estimate_b

    @property
    def statistic(self) -> float:
        """The difference over its standard error."""
        return self.value / np.sqrt(self.variance) if self.variance > 0 else float("nan")

    @property
    def p_value(self) -> float:
        """Two-sided, t on `df`."""
        return float(2 * student.sf(abs(self.statistic), self.df))

    def limits(self, level: float) -> tuple[float, float]:
        """Limits of the difference, within what it can be at the `farthest`."""
        half = float(t_quantile(level, self.df)) * np.sqrt(self.variance) if self.variance > 0 else float("nan")
        low, high = np.clip([self.value - half, self.value + half], -self.farthest, self.farthest)
        return float(low), float(high)


def contrast_examiners(
    events: tuple[FloatArray, FloatArray], knees: tuple[FloatArray, FloatArray], independent: float | None = None
) -> ExaminerContrast:
    """Compare a proportion of two groups of examiners: `events` of `knees` of each examiner, (examiners,) a group.

    Knees may be weights. An examiner without a knee does not count; one who stands in both groups counts as one in
    each. The estimates are those of all knees. The variance is that of a ratio over examiners, each residual divided
    by the root of what its own weight leaves of it (CR2): without bias where knees are independent. With few examiners
    it can by chance be smaller than that of `independent` knees. With fewer than `ENOUGH_EXAMINERS` in a group, where
    no test is made, it is never below that: given, or that of two binomial proportions with one event and one other
    knee added to each group, so that it is not 0 where all agree.
    The degrees of freedom are Satterthwaite's under independent knees, at most examiners - 2. With fewer than two
    examiners in a group, variance and p value are NaN.

    Source: Bell RM, McCaffrey DF. Survey Methodology 2002;28(2):169–181, section 3; Imbens GW, Kolesár M. Rev Econ Stat
    2016;98(4):701–712, section III; Agresti A, Caffo B. Am Stat 2000;54(4):280–288 (the binomial variance).

    >>> one = (np.array([9.0, 8.0, 10.0]), np.array([6.0, 7.0, 8.0]))
    >>> made = contrast_examiners(one, (np.full(3, 10.0), np.full(3, 10.0)))
    >>> round(made.value, 3), round(made.df, 6), round(made.p_value, 3)
    (0.2, 4.0, 0.118)
    """
    kept = [(e[n != 0], n[n != 0]) for e, n in zip(events, knees, strict=True)]
    sides = [_side(*one) for one in kept]
    (a, one, trace_a, square_a), (b, other, trace_b, square_b) = sides
    counts = (kept[0][1].size, kept[1][1].size)
    usable = min(counts) > 1
    if not usable:
        return ExaminerContrast(a, b, float("nan"), float("nan"), counts)
    df = min((trace_a + trace_b) ** 2 / (square_a + square_b), sum(counts) - 2)
    least = sum(_binomial(e.sum(), n.sum()) for e, n in kept) if independent is None else independent
    variance = max(one + other, least) if min(counts) < ENOUGH_EXAMINERS else one + other
    return ExaminerContrast(a, b, variance, df, counts)


def _binomial(events: float, knees: float) -> float:
    """Variance of a proportion of independent knees, with one event and one other knee added."""
    share = (events + 1) / (knees + 2)
    return share * (1 - share) / (knees + 2)


def _side(events: FloatArray, knees: FloatArray) -> tuple[float, float, float, float]:
    """Estimate and variance of one group; trace and squared norm of the variance's form under independent knees."""
    total = knees.sum()
    if not total:
        return (float("nan"),) * 4
    estimate = events.sum() / total
    if knees.size < 2:
        return float(estimate), *((float("nan"),) * 3)
    share = knees / total
    residual = events - estimate * knees
    variance = (residual**2 / (1 - share)).sum() / total**2
    # Residuals of independent knees have covariance proportional to diag(knees) - knees knees' / total.
    scaled = (np.diag(knees) - np.outer(knees, share)) / np.sqrt(np.outer(1 - share, 1 - share)) / total**2
    return float(estimate), float(variance), float(np.trace(scaled)), float((scaled**2).sum())
