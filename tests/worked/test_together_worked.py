"""Several maneuvers as one test against printed formulas.

Gardner IA, Stryhn H, Lind P, Collins MT. Prev Vet Med 2000;45:107-122: series and parallel testing with the covariance
of the findings given the condition.
"""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.test_combinations.combinations import combine
from examtally.analytics.test_combinations.dependence import dependence
from examtally.analytics.test_combinations.joint import JointFindings

EXPECTED = {
    "series_sens": 0.61,
    "series_spec": 0.975,
    "parallel_sens": 0.89,
    "parallel_spec": 0.875,
}


def table(shares: dict[tuple[int, int], int]) -> np.ndarray:
    return np.repeat(np.array(list(shares)), list(shares.values()), axis=0)


def test_the_joint_table_gives_what_the_formula_does() -> None:
    """100 knees with the condition and 1000 without, laid out with those accuracies and covariances."""
    with_it = table({(1, 1): 61, (1, 0): 19, (0, 1): 9, (0, 0): 11})
    without = table({(1, 1): 25, (1, 0): 75, (0, 1): 25, (0, 0): 875})
    joint = JointFindings.of(np.vstack([with_it, without]), np.repeat([1, 0], [100, 1000]))
    both, either = combine(joint, "all_of"), combine(joint, "any_of")
    assert both.counts["tp"] / 100 == pytest.approx(EXPECTED["series_sens"])
    assert both.counts["tn"] / 1000 == pytest.approx(EXPECTED["series_spec"])
    assert either.counts["tp"] / 100 == pytest.approx(EXPECTED["parallel_sens"])
    assert either.counts["tn"] / 1000 == pytest.approx(EXPECTED["parallel_spec"])
    assert both.if_independent["sensitivity"] == pytest.approx(0.56)
    given, other = dependence(joint, "present"), dependence(joint, "absent")
    assert (given.covariance, given.covariance_low, given.covariance_high) == pytest.approx((0.05, -0.06, 0.14))
    assert (other.covariance, other.covariance_low, other.covariance_high) == pytest.approx((0.02, -0.005, 0.045))
    assert given.phi == pytest.approx(0.05 / np.sqrt(0.8 * 0.2 * 0.7 * 0.3))
