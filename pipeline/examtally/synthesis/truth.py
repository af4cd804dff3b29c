"""Everything that is true of a synthetic clinic, as aggregates for `truth.json`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from itertools import combinations

import numpy as np
from scipy.special import expit, logit

from examtally.synthesis.clinic import Clinic
from examtally.synthesis.clinical_sections import Family
from examtally.synthesis.estimands import OVERALL, Row, Truth, accuracy_rows, prevalence_rows
from examtally.synthesis.features import Bools, Floats
from examtally.synthesis.logistic import fit_logistic
from examtally.synthesis.membership import Members
from examtally.synthesis.scenario import ManeuverPlan, Scenario

DEFINITIONS = {
    "probability": "p, for one exam and maneuver: the probability of a positive finding given everything but the coin "
    "(the knee and its true conditions, the person, the examiner's skill on that day, setting, guarding, effusion)",
    "sensitivity": "mean of p over the exams of a set whose condition is truly present",
    "specificity": "1 minus the mean of p over the exams of a set whose condition is truly absent",
    "parameter": "over the reference population: first exams of a very large clinic of the same scenario with the same "
    "examiners (first complaint, first visit, first hands, knee of the complaint, not operated on before, not in the "
    "operating room); _error is its Monte-Carlo standard error",
    "eligible": "over the records' mature index exams under the default protocol, recorded or not",
    "interpretable": "over those of them with a positive or negative finding",
    "verified": "over those of these whose condition was settled inside its window: what accuracy on verified knees "
    "would estimate if the finding itself had no part in who is imaged",
    "_rows": "exams in that mean; where it is 0 there is no value",
    "group": "groups are those of the records; `unknown` has no parameter where it stands for a blank; for examiners "
    "the index exam is each examiner's own first exam of an episode",
}
DEPENDENCE = (
    "Findings share normal quantities within a person, a knee (by driver) and an exam (by driver); SDs on the logit "
    "scale. implied: correlation of two results given the condition, at the centre of the scenario: on one knee by two "
    "pairs of hands, and on both knees of a person. joint: of two maneuvers in one exam, over the reference population."
)


def truth_of(clinic: Clinic, truth: Truth, members: Members) -> dict[str, object]:
    """Return the content of `truth.json`; tables as columns and rows. Aggregates only."""
    scenario = clinic.context.scenario
    return {
        "scenario": scenario.title,
        "seed": clinic.context.streams.seed,
        "definitions": DEFINITIONS,
        "prevalence": table(prevalence_rows(clinic, truth, members)),
        "accuracy": table(accuracy_rows(clinic, truth, members)),
        "dependence": {
            "about": DEPENDENCE,
            "families": declared_families(scenario),
            "implied": table(implied_rows(scenario)),
            "joint": table(joint_rows(clinic)),
        },
        "calibration": table(calibration_rows(clinic)),
        "references": table(_reference_rows(truth)),
    }


def table(rows: Iterable[Row]) -> dict[str, object]:
    """Rows of one shape as `{columns, rows}`."""
    listed = list(rows)
    return {"columns": list(listed[0]) if listed else [], "rows": [list(row.values()) for row in listed]}


def _reference_rows(truth: Truth) -> Iterator[Row]:
    """How often each modality said what, by what is true; indeterminate readings and what none mentions left out."""
    names = ("truly_present", "truly_present_called_present", "truly_absent", "truly_absent_called_absent")
    for (modality, condition), counts in truth.readings.items():
        yield {"modality": modality, "condition": condition, **dict(zip(names, counts.tolist(), strict=True))}


_CLIP = 0.005
_FEWEST = 50


def calibration_rows(clinic: Clinic) -> Iterator[Row]:
    """Calibration of the stated probabilities against the truth, over the reference population, overall and by role.

    Intercept with the slope held at 1, slope of the joint model, Brier score; statements of 0 and 1 are moved to 0.005
    and 0.995 for intercept and slope. Under 50 exams with or without the condition nothing is stated.
    """
    reference = clinic.reference
    roles = reference.exams.coded["role"]
    groups = [(OVERALL, "all", np.ones(reference.exams.rows, dtype=bool))]
    groups += [("role", code, roles.equals(code)) for code in roles.codes if roles.equals(code).any()]
    for column, (condition, stage) in enumerate(reference.said.columns):
        present, stated = reference.exams.numbers[condition], reference.said.probability[:, column]
        for group_by, group, rows in groups:
            if min(present[rows].sum(), (~present[rows]).sum()) >= _FEWEST:
                named = {"condition": condition, "stage": stage, "group_by": group_by, "group": group}
                yield {**named, **_calibration(stated[rows], present[rows])}


def _calibration(stated: Floats, present: Bools) -> Row:
    log_odds = logit(np.clip(stated, _CLIP, 1 - _CLIP))
    _, slope = fit_logistic(np.column_stack([np.ones_like(log_odds), log_odds]), present)
    (intercept,) = fit_logistic(np.ones((len(log_odds), 1)), present, offset=log_odds)
    return {
        "rows": len(stated),
        "prevalence": float(present.mean()),
        "mean_stated": float(stated.mean()),
        "intercept": float(intercept),
        "slope": float(slope),
        "brier": float(((stated - present) ** 2).mean()),
    }


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
    nodes, weights = _quadrature()
    mean_given_shared = expit(centre + shared * nodes[:, None] + own * nodes) @ weights
    mean = float(mean_given_shared @ weights)
    return float((mean_given_shared**2 @ weights - mean**2) / (mean * (1 - mean)))


@cache
def _quadrature() -> tuple[Floats, Floats]:
    """Nodes and weights of a standard normal quantity."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    return nodes, weights / weights.sum()


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
