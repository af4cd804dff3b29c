"""Two maneuvers on the same verified knees: every measure, each with its contrast and test."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import binom, chi2
from statsmodels.stats import contingency_tables

from examtally.analytics.comparison.contrast import (
    COMPARED,
    DIFFERENCE,
    SAME_KNEES,
    Contrast,
    Significance,
    contrasts_of,
    observed_difference,
    observed_ratio,
    robust_test,
)
from examtally.analytics.comparison.joint import Joint, participant_sums
from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.intervals import BoolArray, FloatArray


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


def swap_test(difference: npt.ArrayLike) -> float:
    """Exact two-sided p value of the sum of `difference` (m,) when each participant's sign is a toss of a coin.

    `difference` holds, for each participant, the knees that count for a alone less those that count for b alone: whole
    numbers (ValueError for others). If the two maneuvers are exchangeable within participants every sign is as likely
    as its opposite; the distribution of the sum is had by convolution, not by drawing. 1 where all are 0. With one knee
    a participant it is McNemar's exact test.

    Source: Good P. Permutation, Parametric and Bootstrap Tests of Hypotheses. 3rd ed. 2005, section 3.2
    (matched pairs); Obuchowski NA. Stat Med 1998;17:1495–1507 (participants as the units of two tests compared).

    >>> round(swap_test([2, 1, 1, 2, -1, 1, 0]), 4)
    0.1562
    """
    values = np.abs(np.asarray(difference, dtype=np.float64))
    if np.any(values != np.floor(values)):
        raise ValueError("difference holds whole numbers")
    total = int(values.sum())
    chance = np.zeros(2 * total + 1)
    chance[total] = 1.0
    for size in values[values > 0].astype(int):
        moved = np.zeros_like(chance)
        moved[size:] += chance[:-size] / 2
        moved[:-size] += chance[size:] / 2
        chance = moved
    observed = abs(int(np.sum(difference)))
    return float(min(chance[np.abs(np.arange(-total, total + 1)) >= observed].sum(), 1.0))


@dataclass(frozen=True)
class McNemar:
    """Chi-squared statistic without continuity correction (NaN without a discordant knee), exact and mid-p values."""

    statistic: FloatArray
    p_exact: FloatArray
    p_midp: FloatArray


def mcnemar(only_a: npt.ArrayLike, only_b: npt.ArrayLike) -> McNemar:
    """Test whether a counts as often alone as b does.

    `only_a`, `only_b`: knees that count for one and not for the other, whole numbers of one shape (ValueError for
    others). Without any both p values are 1. The mid-p value counts the observed table half: the exact one less its
    probability, and 1 - P(X = only_a)/2 where both are equal.

    Source: McNemar Q. Psychometrika 1947;12:153–157; exact and mid-p: Fagerland MW, Lydersen S, Laake P. BMC Med Res
    Methodol 2013;13:91, eq. 2–5.

    >>> test = mcnemar(150, 86)
    >>> f"{test.statistic:.2f} {test.p_exact:.3g} {test.p_midp:.3g}"
    '17.36 3.72e-05 2.89e-05'
    """
    b, c = np.broadcast_arrays(np.asarray(only_a, dtype=np.float64), np.asarray(only_b, dtype=np.float64))
    if np.any((b < 0) | (c < 0) | (b != np.floor(b)) | (c != np.floor(c))):
        raise ValueError("only_a and only_b are counts: whole numbers, 0 or more")
    tables, place = np.unique(np.stack([b.ravel(), c.ravel()], axis=1), axis=0, return_inverse=True)
    tests = np.array([_one_table(*counts) for counts in tables.tolist()]).reshape(-1, 2)
    statistic, exact = (tests[place.ravel(), column].reshape(b.shape) for column in range(2))
    at = binom.pmf(np.minimum(b, c), b + c, 0.5)
    midp = np.where(b == c, 1 - at / 2, exact - at)
    return McNemar(statistic, exact, np.where(b + c == 0, 1.0, midp))


def _one_table(only_a: float, only_b: float) -> tuple[float, float]:
    """Statistic and exact p value of one table; concordant knees do not matter."""
    if only_a + only_b == 0:
        return float("nan"), 1.0
    table = [[0, only_a], [only_b, 0]]
    chi_squared = contingency_tables.mcnemar(table, exact=False, correction=False)
    return float(chi_squared.statistic), float(contingency_tables.mcnemar(table, exact=True).pvalue)


FEW_PARTICIPANTS = 30
"""Below this number of participants, some with several knees, maneuvers are exchanged within participants instead."""

ALONE_A, ALONE_B = (1, 5), (2, 6)
_COUNTS = {"sensitivity": ((1,), (2,)), "specificity": ((6,), (5,))}


@dataclass(frozen=True)
class Behind:
    """The knees behind a measure: all of them, those that count for a alone and for b alone, and the participants.

    `fewest` is the smallest number of participants behind any of its denominators.
    """

    n: FloatArray
    only_a: FloatArray
    only_b: FloatArray
    participants: FloatArray
    fewest: FloatArray


def paired_contrasts(joint: Joint, level: float, *, is_exact: bool) -> Iterator[tuple[Contrast, Significance]]:
    """Every measure and contrast of two maneuvers on the same knees, with its test."""
    for measure in COMPARED:
        test: Significance | None = None
        for contrast in contrasts_of(measure):
            if contrast == DIFFERENCE:
                made = observed_difference(joint, measure, level, is_paired=True)
                test = _test(joint, made, is_exact=is_exact)
            else:
                made = observed_ratio(joint, measure, level)
            yield made, test or robust_test(made, "robust")


def behind(joint: Joint, measure: str) -> Behind:
    """The knees behind a measure; for predictive values and ratios `only_a` is positive by a alone."""
    inside = joint.kinds_in(PROPORTIONS[measure][1] if measure in PROPORTIONS else "all")
    alone_a, alone_b = _COUNTS.get(measure, (ALONE_A, ALONE_B))
    only_a, only_b = (joint.counts[:, list(kinds)].sum(axis=1) for kinds in (alone_a, alone_b))
    parts = [PROPORTIONS[measure][1]] if measure in PROPORTIONS else ["present", "absent"]
    sides = [joint.participants(joint.kinds_in(part, side)) for part in parts for side in (0, 1)]
    return Behind(joint.knees(inside), only_a, only_b, joint.participants(inside), np.min(sides, axis=0))


def _test(joint: Joint, made: Contrast, *, is_exact: bool) -> Significance:
    """The test of a difference: McNemar's or the score test where knees are independent, else the robust one."""
    robust = robust_test(made, "robust")
    independent = np.isinf(made.clusters)
    if made.measure not in SAME_KNEES:
        return _either(independent, _score_test(joint, made.measure), robust)
    counted = behind(joint, made.measure)
    found = mcnemar(counted.only_a, counted.only_b)
    any_differ = counted.only_a + counted.only_b > 0
    p = np.where(any_differ, found.p_exact if is_exact else found.p_midp, np.nan)
    name = "mcnemar_exact" if is_exact else "mcnemar_midp"
    plain = Significance(np.where(any_differ, name, ""), found.statistic, p)
    few = ~independent & (made.clusters < FEW_PARTICIPANTS) & any_differ
    return _either(few, _swapped(joint, made.measure, few), _either(independent, plain, robust))


def _score_test(joint: Joint, measure: str) -> Significance:
    present, absent = joint.counts[:, :4], joint.counts[:, 4:]
    found = compare_predictive_values(present, absent, negative=measure == "npv")
    usable = np.isfinite(found.weighted_statistic)
    return Significance(np.where(usable, "weighted_score", ""), found.weighted_statistic, found.weighted_p)


def _swapped(joint: Joint, measure: str, rows: BoolArray) -> Significance:
    """The exchange within participants, for the `rows` marked."""
    (alone_a,), (alone_b,) = _COUNTS[measure]
    value = (joint.kind == alone_a).astype(float) - (joint.kind == alone_b)
    inside = joint.kinds_in(PROPORTIONS[measure][1])[joint.kind]
    p = np.full(rows.shape, np.nan)
    for row in np.flatnonzero(rows):
        p[row] = swap_test(participant_sums(joint.grouped, value, int(row), inside))
    return Significance(np.where(rows, "permutation", ""), np.full(rows.shape, np.nan), p)


def _either(first: BoolArray, one: Significance, other: Significance) -> Significance:
    return Significance(
        np.where(first, one.name, other.name),
        np.where(first, one.statistic, other.statistic),
        np.where(first, one.p_value, other.p_value),
    )
