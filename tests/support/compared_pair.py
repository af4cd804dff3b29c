"""Two maneuvers on one set of knees, given as arrays: every contrast of the package as plain numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.comparison.contrast import Contrast, Significance
from examtally.analytics.comparison.joint import PAIRED, Joint, paired_kind
from examtally.analytics.comparison.paired import Behind, behind, paired_contrasts
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.grouped import Grouped


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
