"""Predictive values at a stated prevalence, and the probability after a finding.

Arrays have one entry a row; NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from examtally.analytics.intervals import FloatArray, Interval


def post_test(pre_test: npt.ArrayLike, ratio: npt.ArrayLike) -> FloatArray:
    """Probability after a finding whose likelihood ratio is `ratio` (>= 0, may be infinite): Bayes on the odds scale.

    `pre_test` lies strictly between 0 and 1; ValueError otherwise.

    Source: Altman DG, Bland JM. BMJ 1994;309:102; Bayes' theorem.

    >>> post_test(0.3, 5.0).round(3)
    np.float64(0.682)
    """
    before = np.asarray(pre_test, dtype=np.float64)
    if np.any((before <= 0) | (before >= 1)):
        raise ValueError("a pre-test probability lies between 0 and 1")
    with np.errstate(divide="ignore"):
        return np.asarray(expit(logit(before) + np.log(np.asarray(ratio, dtype=np.float64))))


def post_test_interval(pre_test: npt.ArrayLike, limits: Interval) -> Interval:
    """Limits of `post_test` from those of the likelihood ratio; an infinite ratio gives NaN, for no limit is known."""
    high = np.where(np.isinf(limits.high), np.nan, limits.high)
    return Interval(post_test(pre_test, limits.low), post_test(pre_test, high))


def predictive_value(
    measure: str, prevalence: npt.ArrayLike, ratio: npt.ArrayLike, variance: npt.ArrayLike, quantile: npt.ArrayLike
) -> tuple[FloatArray, Interval]:
    """ppv or npv at `prevalence`, with its logit (delta) interval.

    `ratio` is the positive likelihood ratio for ppv and the negative one for npv, `variance` that of its logarithm:
    logit(ppv) = logit(prevalence) + log LR+ and logit(npv) = -(logit(prevalence) + log LR-), so that the variance on
    the logit scale is the same, for clustered knees too. NaN throughout where the ratio is not positive and finite.
    Raises KeyError for another measure.

    Source: Mercaldo ND, Lau KF, Zhou XH. Stat Med 2007;26:2170-2183, section 2.2 (standard logit interval).

    >>> value, limits = predictive_value("ppv", 0.25, 2.40625, 0.02007512836, 1.959964)
    >>> f"{value:.4f} {limits.low:.4f} {limits.high:.4f}"
    '0.4451 0.3780 0.5143'
    """
    sign = {"ppv": 1.0, "npv": -1.0}[measure]
    lr = np.asarray(ratio, dtype=np.float64)
    usable = np.isfinite(lr) & (lr > 0) & np.isfinite(np.asarray(variance))
    centre = sign * (logit(np.asarray(prevalence)) + np.log(np.where(usable, lr, np.nan)))
    half = np.asarray(quantile) * np.sqrt(np.where(usable, variance, np.nan))
    return expit(centre), Interval(expit(centre - half), expit(centre + half))
