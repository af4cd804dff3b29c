"""How strongly findings hang together in a scenario: what its shared quantities imply, and what they come to."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from scipy.special import expit, logit

from examtally.synthesis.clinic import Clinic
from examtally.synthesis.clinical_sections import Family
from examtally.synthesis.estimands import Row
from examtally.synthesis.features import Floats
from examtally.synthesis.scenario import ManeuverPlan, Scenario

_NODES = 60


def implied_rows(scenario: Scenario) -> Iterator[Row]:
    """Correlation of two results given the condition, for typical examiners and where nothing else is special.

    same_knee: two pairs of hands that did not know of each other on one knee; other_knee: one maneuver on both knees of
    a person, both with or both without the condition; no_dependence of the coins themselves is added.
    """
    for code, plan in scenario.maneuvers.items():
        if plan.accuracy is None:
            continue
        family = scenario.families[plan.family]
        for given in ("present", "absent"):
            centre = _centre(plan, given)
            yield {
                "maneuver": code,
                "condition": plan.driver,
                "given": given,
                "same_knee": correlation(centre, np.hypot(family.person, family.joint), family.hands),
                "other_knee": correlation(centre, family.person, np.hypot(family.joint, family.hands)),
            }


def joint_rows(clinic: Clinic) -> Iterator[Row]:
    """Covariance and correlation of two maneuvers of one driver in one exam, given the condition.

    Over the reference population. Given all but the coins two results are independent, so that their covariance is that
    of their probabilities.
    """
    reference, scenario = clinic.reference, clinic.context.scenario
    codes = list(scenario.maneuvers)
    for first, second in combinations(codes, 2):
        driver = scenario.maneuvers[first].driver
        if driver is None or scenario.maneuvers[second].driver != driver:
            continue
        both = reference.found.probability[:, [codes.index(first), codes.index(second)]].astype(np.float64)
        for given, rows in (("present", True), ("absent", False)):
            p = both[reference.exams.numbers[driver] == rows]
            if len(p):
                yield {"condition": driver, "maneuver_a": first, "maneuver_b": second, "given": given, **_joint(p)}


def correlation(centre: float, shared: float, own: float) -> float:
    """Correlation of two results with logit `centre` that share a normal quantity of SD `shared`; `own` is not shared.

    By Gauss-Hermite quadrature over both.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    mean_given_shared = expit(centre + shared * nodes[:, None] + own * nodes) @ weights
    mean = float(mean_given_shared @ weights)
    return float((mean_given_shared**2 @ weights - mean**2) / (mean * (1 - mean)))


def declared_families(scenario: Scenario) -> dict[str, dict[str, float]]:
    """Standard deviations of the shared quantities, logit scale."""
    return {name: _declared(family) for name, family in scenario.families.items()}


def _declared(family: Family) -> dict[str, float]:
    return {"person": family.person, "knee": family.joint, "hands": family.hands}


def _centre(plan: ManeuverPlan, given: str) -> float:
    assert plan.accuracy is not None
    return float(logit(plan.accuracy.sensitivity) if given == "present" else -logit(plan.accuracy.specificity))


def _joint(p: Floats) -> Row:
    mean = p.mean(axis=0)
    covariance = float((p[:, 0] * p[:, 1]).mean() - mean.prod())
    spread = float(np.sqrt((mean * (1 - mean)).prod()))
    return {"covariance": covariance, "correlation": covariance / spread if spread else None, "rows": len(p)}
