"""On the synthetic clinic, whose findings hang together as its scenario says, the joint table is right.

Truth: given everything but the coins two results are independent, so that the share with both positive is the mean of
the product of their hidden probabilities.
"""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.test_combinations.combinations import combine
from examtally.analytics.test_combinations.dependence import dependence
from examtally.analytics.test_combinations.joint import JointFindings
from examtally.synthesis.clinic import Clinic
from examtally.synthesis.findings import NEGATIVE, POSITIVE

PAIRS = [
    ("acl_tear", ("lachman", "anterior_drawer")),
    ("acl_tear", ("lachman", "pivot_shift")),
    ("knee_effusion", ("visible_swelling", "sweep_test")),
    ("medial_meniscus_tear", ("medial_joint_line_tenderness", "mcmurray_medial")),
]


@pytest.mark.parametrize(("condition", "maneuvers"), PAIRS)
def test_all_of_is_unbiased_where_multiplying_is_not(
    clinic: Clinic, condition: str, maneuvers: tuple[str, str]
) -> None:
    """Cohorts of 400 knees with the condition, cut from the large population of the scenario."""
    found, exams = clinic.reference.found, clinic.reference.exams
    columns = [found.maneuvers.index(maneuver) for maneuver in maneuvers]
    seen = np.isin(found.result[:, columns], (POSITIVE, NEGATIVE)).all(axis=1) & exams.numbers[condition]
    positive = found.result[seen][:, columns] == POSITIVE
    probability = found.probability[seen][:, columns].astype(np.float64)
    off, multiplied_off = [], []
    for rows in np.array_split(np.arange(len(positive)), max(len(positive) // 400, 2)):
        counted = combine(JointFindings.of(positive[rows], np.ones(rows.size)), "all_of")
        truth = probability[rows].prod(axis=1).mean()
        off.append(counted.counts["tp"] / rows.size - truth)
        multiplied_off.append(counted.if_independent["sensitivity"] - truth)
    cohorts = len(off)
    assert abs(np.mean(off)) < 4 * np.std(off) / np.sqrt(cohorts)
    assert np.mean(multiplied_off) < -0.015
    assert np.mean(multiplied_off) < -5 * np.std(multiplied_off) / np.sqrt(cohorts)
    whole = dependence(JointFindings.of(positive, np.ones(len(positive))), "present")
    true_covariance = probability.prod(axis=1).mean() - probability.mean(axis=0).prod()
    assert whole.covariance == pytest.approx(true_covariance, abs=0.012)
