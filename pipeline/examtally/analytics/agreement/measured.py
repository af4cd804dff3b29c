"""Agreement of measures: intraclass correlations and limits of agreement of one table of subjects by examiners.

Every figure comes from the two-way analysis of variance of a complete table, shape (n, k): n subjects, each measured
once by each of k examiners, in one unit. No value may be missing: subjects whom somebody did not measure are left out
before, and counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from examtally.analytics.intervals import FloatArray

FORMS = ("icc_1_1", "icc_2_1", "icc_3_1", "icc_1_k", "icc_2_k", "icc_3_k")
"""Intraclass correlations by model (1 one-way, 2 examiners drawn at random, 3 these examiners) and by what is used
afterwards: one measure (1) or the mean of all k (k)."""


@dataclass(frozen=True)
class Limited:
    """An estimate with its limits; NaN where it cannot be had."""

    estimate: float
    low: float
    high: float


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of a table of n subjects by k examiners: between subjects, within them, examiners, residual."""

    n: int
    k: int
    subjects: float
    within: float
    examiners: float
    residual: float


def mean_squares(values: FloatArray) -> MeanSquares:
    """The two-way analysis of variance of a complete table (n, k); ValueError under two subjects or two examiners.

    Source: Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, table 3.
    """
    n, k = values.shape
    if n < 2 or k < 2 or not np.isfinite(values).all():
        raise ValueError("a complete table of at least two subjects by two examiners is needed")
    mean = values.mean()
    by_subject, by_examiner = values.mean(axis=1), values.mean(axis=0)
    residual = values - by_subject[:, None] - by_examiner[None, :] + mean
    return MeanSquares(
        n,
        k,
        subjects=float(k * ((by_subject - mean) ** 2).sum() / (n - 1)),
        within=float(((values - by_subject[:, None]) ** 2).sum() / (n * (k - 1))),
        examiners=float(n * ((by_examiner - mean) ** 2).sum() / (k - 1)),
        residual=float((residual**2).sum() / ((n - 1) * (k - 1))),
    )


def intraclass(values: FloatArray, level: float = 0.95) -> dict[str, Limited]:
    """The six intraclass correlations of a table (n, k), by the names of `FORMS`, with limits.

    Limits of forms 1 and 3 are exact under normality, those of form 2 Satterthwaite's. NaN where nothing varies.

    Source: Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428: ICC(1,1) to ICC(3,k), and limits on pages 424 to 426.
    """
    made = mean_squares(values)
    ones = {
        "1": _ratio(made, made.within, made.k - 1, 0.0),
        "2": _ratio(made, made.residual, made.k - 1, made.k * (made.examiners - made.residual) / made.n),
        "3": _ratio(made, made.residual, made.k - 1, 0.0),
    }
    within = _by_f(made, made.within, made.n * (made.k - 1), level)
    residual = _by_f(made, made.residual, (made.n - 1) * (made.k - 1), level)
    limits = {"1": within, "2": _random_limits(made, ones["2"], level), "3": residual}
    single = {f"icc_{model}_1": Limited(one, *limits[model]) for model, one in ones.items()}
    return single | {
        f"icc_{model}_k": Limited(*(_stepped_up(value, made.k) for value in (one, *limits[model])))
        for model, one in ones.items()
    }


def limits_of_agreement(differences: FloatArray, level: float = 0.95, width: float = 1.96) -> dict[str, Limited]:
    """Mean difference and limits of agreement of paired measures, shape (n,), each with its own interval.

    The limits lie `width` standard deviations from the mean; the paper has 2. NaN under three differences.

    Source: Bland JM, Altman DG. Lancet 1986;1:307-310 (standard error of a limit: the square root of 3 s^2 / n).
    """
    n = differences.size
    if n < 3:
        none = Limited(np.nan, np.nan, np.nan)
        return {"mean_difference": none, "limit_low": none, "limit_high": none}
    mean, sd = float(differences.mean()), float(differences.std(ddof=1))
    t = float(t_distribution.ppf((1 + level) / 2, n - 1))

    def with_limits(value: float, se: float) -> Limited:
        return Limited(value, value - t * se, value + t * se)

    of_limit = sd * (3 / n) ** 0.5
    return {
        "mean_difference": with_limits(mean, sd / n**0.5),
        "limit_low": with_limits(mean - width * sd, of_limit),
        "limit_high": with_limits(mean + width * sd, of_limit),
    }


def reproducibility(values: FloatArray, width: float = 1.96) -> float:
    """How far the measures of one subject by two examiners lie apart in 95 % of pairs; a table (n, k).

    The standard deviation of a difference of two examiners drawn at random is the square root of twice the variance
    between examiners (never below 0) and of the residual together.

    Source: Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160, section 3, with the components of Shrout and
    Fleiss 1979, table 3.
    """
    made = mean_squares(values)
    between = max((made.examiners - made.residual) / made.n, 0.0)
    return float(width * np.sqrt(2 * (between + made.residual)))


def _ratio(made: MeanSquares, error: float, factor: float, further: float) -> float:
    whole = made.subjects + factor * error + further
    return (made.subjects - error) / whole if whole > 0 else float("nan")


def _by_f(made: MeanSquares, error: float, free: int, level: float) -> tuple[float, float]:
    """Limits of a correlation that is a function of one F ratio."""
    if error <= 0:
        return float("nan"), float("nan")
    ratio, tail = made.subjects / error, (1 + level) / 2
    low = ratio / f_distribution.ppf(tail, made.n - 1, free)
    high = ratio * f_distribution.ppf(tail, free, made.n - 1)
    return float((low - 1) / (low + made.k - 1)), float((high - 1) / (high + made.k - 1))


def _random_limits(made: MeanSquares, icc: float, level: float) -> tuple[float, float]:
    """Limits of ICC(2,1)."""
    n, k, error = made.n, made.k, made.residual
    if error <= 0 or not np.isfinite(icc):
        return float("nan"), float("nan")
    examiners = made.examiners / error
    a, b = k * icc, n * (1 + (k - 1) * icc) - k * icc
    free = (k - 1) * (n - 1) * (a * examiners + b) ** 2 / ((n - 1) * (a * examiners) ** 2 + b**2)
    tail, rest = (1 + level) / 2, k * made.examiners + (k * n - k - n) * error
    above = f_distribution.ppf(tail, n - 1, free)
    below = f_distribution.ppf(tail, free, n - 1)
    low = n * (made.subjects - above * error) / (above * rest + n * made.subjects)
    high = n * (below * made.subjects - error) / (rest + n * below * made.subjects)
    return float(low), float(high)


def _stepped_up(one: float, k: int) -> float:
    """The correlation of a mean of k measures (Spearman-Brown)."""
    whole = 1 + (k - 1) * one
    return k * one / whole if whole > 0 else float("nan")
