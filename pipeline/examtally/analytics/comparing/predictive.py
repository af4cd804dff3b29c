"""Predictive values of two maneuvers on the same knees: McNemar's test does not apply, their denominators differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from examtally.analytics.intervals import FloatArray


@dataclass(frozen=True)
class PredictiveComparison:
    """Both predictive values, a - b, and two score statistics with their p values (chi-squared, 1 degree of freedom).

    NaN where a maneuver has no such finding, where the pooled predictive value is 0 or 1, or where no knee tells
    the two apart.
    """

    estimate_a: FloatArray
    estimate_b: FloatArray
    difference: FloatArray
    weighted_statistic: FloatArray
    weighted_p: FloatArray
    score_statistic: FloatArray
    score_p: FloatArray


def compare_predictive_values(
    events: npt.ArrayLike, others: npt.ArrayLike, *, negative: bool = False
) -> PredictiveComparison:
    """Compare PPV (or, with `negative`, NPV) of two maneuvers found on the same independent knees.

    `events` and `others` are counts (..., 4) by findings (both positive, a alone, b alone, both negative): knees with
    and knees without the condition; for NPV too, in that order.

    Source: weighted generalized score statistic: Kosinski AS. Stat Med 2013;32:964–977, eq. 8 and 10; generalized score
    statistic: Leisenring W, Alonzo T, Pepe MS. Biometrics 2000;56:345–351, section 3. Counts of the example: Weiner DA
    et al. N Engl J Med 1979;301:230–235, as printed there.

    >>> found = compare_predictive_values([473, 29, 81, 25], [22, 46, 44, 151])
    >>> f"{found.difference:.4f} {found.weighted_statistic:.3f}"
    '-0.0128 0.807'
    """
    with_condition, without = np.asarray(events, dtype=np.float64), np.asarray(others, dtype=np.float64)
    if negative:
        with_condition, without = without[..., ::-1], with_condition[..., ::-1]
    return _compare(with_condition, without)


def _compare(events: FloatArray, others: FloatArray) -> PredictiveComparison:
    both, alone_a, alone_b = (events[..., place] for place in range(3))
    rest_both, rest_a, rest_b = (others[..., place] for place in range(3))
    n_a, n_b = both + alone_a + rest_both + rest_a, both + alone_b + rest_both + rest_b
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (both + alone_a) / n_a, (both + alone_b) / n_b
        p = (2 * both + alone_a + alone_b) / (n_a + n_b)
        shared = (both * (1 - p) ** 2 + rest_both * p**2) / (n_a + n_b)
        weighted = (a - b) ** 2 / ((p * (1 - p) - 2 * shared) * (1 / n_a + 1 / n_b))
        score = _score(events, others, p, n_a / (n_a + n_b))
    differ = alone_a + alone_b + rest_a + rest_b > 0
    usable = np.isfinite(weighted) & (p > 0) & (p < 1) & differ
    weighted, score = np.where(usable, weighted, np.nan), np.where(usable, score, np.nan)
    return PredictiveComparison(a, b, a - b, weighted, chi2.sf(weighted, 1), score, chi2.sf(score, 1))


def _score(events: FloatArray, others: FloatArray, p: FloatArray, share: FloatArray) -> FloatArray:
    """Leisenring's statistic: the marginal regression of the condition on which maneuver was positive, score form."""
    reach = np.stack([1 - 2 * share, 1 - share, -share], axis=-1)  # both, a alone, b alone
    total = ((events[..., :3] * (1 - p)[..., None] - others[..., :3] * p[..., None]) * reach).sum(axis=-1)
    square = events[..., :3] * (1 - p)[..., None] ** 2 + others[..., :3] * p[..., None] ** 2
    variance = (square * reach**2).sum(axis=-1)
    return np.asarray(total**2 / variance)
