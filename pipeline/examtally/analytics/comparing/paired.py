"""Two maneuvers on the same verified knees: every measure, each with its contrast and test."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.comparing.contrast import (
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
from examtally.analytics.comparing.joint import PAIRED, Joint, paired_kind, participant_sums
from examtally.analytics.comparing.mcnemar import mcnemar
from examtally.analytics.comparing.permutation import swap_test
from examtally.analytics.comparing.predictive import compare_predictive_values
from examtally.analytics.figures import PROPORTIONS
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification.grouped import Grouped

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


@dataclass(frozen=True)
class Comparison:
    """One measure of two maneuvers; None where it cannot be estimated.

    `value` is a - b for a difference and a / b for a ratio, with its limits; `test` names the test, `statistic` is its
    statistic where it has one. `n` knees, `only_a` and `only_b` those that count for one alone, `participants`.
    """

    measure: str
    contrast: str
    estimate_a: float | None
    estimate_b: float | None
    value: float | None
    ci_low: float | None
    ci_high: float | None
    test: str
    statistic: float | None
    p_value: float | None
    n: int
    only_a: int
    only_b: int
    participants: int


def compare_paired(
    test_a: npt.ArrayLike,
    test_b: npt.ArrayLike,
    disease: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    *,
    level: float = 0.95,
    exact: bool = False,
) -> tuple[Comparison, ...]:
    """Compare two maneuvers on the same knees: sensitivity, specificity, predictive values, likelihood ratios.

    `test_a`, `test_b`, `disease` (n,) are 1, 0 or NaN; a knee with a NaN is left out. `cluster` (n,) names the
    participant, None where each knee is a person of its own. ValueError for other values or shapes. `exact` takes
    McNemar's exact p value in place of the mid-p one. See the sources of `observed_difference`, `observed_ratio`,
    `mcnemar`, `compare_predictive_values` and `swap_test`.

    >>> a, b = [1] * 48 + [0] * 2, [1] * 36 + [0] * 12 + [1] * 2
    >>> found = compare_paired(a, b, [1] * 50)[0]
    >>> found.measure, f"{found.value:.2f} {found.ci_low:.4f} {found.ci_high:.4f}", found.only_a, found.only_b
    ('sensitivity', '0.20 0.0569 0.3404', 12, 2)
    """
    a, b, present = (_binary(name, x) for name, x in (("test_a", test_a), ("test_b", test_b), ("disease", disease)))
    who = np.arange(a.size) if cluster is None else np.asarray(cluster)
    if not a.shape == b.shape == present.shape == who.shape:
        raise ValueError("test_a, test_b, disease and cluster: one value a knee")
    kept = ~(np.isnan(a) | np.isnan(b) | np.isnan(present))
    kind = paired_kind(a[kept] > 0, b[kept] > 0, present[kept] > 0)
    joint = Joint.of(Grouped.of(who[kept]), kind, PAIRED)
    return tuple(
        _single(made, test, behind(joint, made.measure))
        for made, test in paired_contrasts(joint, level, is_exact=exact)
    )


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


def _binary(name: str, values: npt.ArrayLike) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isin(array[~np.isnan(array)], (0.0, 1.0)).all():
        raise ValueError(f"{name}: 1, 0 or NaN, one value a knee")
    return array


def _single(made: Contrast, test: Significance, counted: Behind) -> Comparison:
    return Comparison(
        measure=made.measure,
        contrast=made.contrast,
        estimate_a=_finite(made.estimate_a),
        estimate_b=_finite(made.estimate_b),
        value=_finite(made.value),
        ci_low=_finite(made.limits.low),
        ci_high=_finite(made.limits.high),
        test=str(test.name[0]),
        statistic=_finite(test.statistic),
        p_value=_finite(test.p_value),
        n=int(counted.n[0]),
        only_a=int(counted.only_a[0]),
        only_b=int(counted.only_b[0]),
        participants=int(counted.participants[0]),
    )


def _finite(values: FloatArray) -> float | None:
    return float(values[0]) if np.isfinite(values[0]) else None
