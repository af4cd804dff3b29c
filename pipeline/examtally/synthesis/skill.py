"""What each examiner's hands add to logit sensitivity and logit specificity, maneuver by maneuver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.synthesis.chance import Streams
from examtally.synthesis.features import Features, Floats
from examtally.synthesis.scenario import Scenario


@dataclass(frozen=True)
class Hands:
    """Deviations of each examiner on the logit scale, shape (examiners, maneuvers); columns as in the scenario."""

    sensitivity: Floats
    specificity: Floats

    def added(self, scenario: Scenario, exams: Features, column: int) -> tuple[Floats, Floats]:
        """What the hands of each exam add to logit sensitivity and logit specificity, shape (exams,) each."""
        examiner = exams.numbers["examiner"]
        roles = exams.coded["role"]
        effects = [scenario.skill.roles.get(code) for code in roles.codes]
        role_sensitivity = np.array([each.sensitivity if each else 0.0 for each in effects])[roles.index]
        role_specificity = np.array([each.specificity if each else 0.0 for each in effects])[roles.index]
        gap = learning_gap(scenario, exams)
        return (
            self.sensitivity[examiner, column] + role_sensitivity - gap,
            self.specificity[examiner, column] + role_specificity - gap,
        )


def draw_hands(scenario: Scenario, streams: Streams) -> Hands:
    """Draw the examiners' deviations: bivariate normal, partly common to all maneuvers. Fixed by the seed alone."""
    skill, random = scenario.skill, streams.of("examiners")
    shape = (len(scenario.examiners), len(scenario.maneuvers))
    root = np.linalg.cholesky(_covariance(scenario))
    common = random.standard_normal((shape[0], 1, 2)) @ root.T
    own = random.standard_normal((*shape, 2)) @ root.T
    both = np.sqrt(skill.shared) * common + np.sqrt(1 - skill.shared) * own
    return Hands(both[..., 0], both[..., 1])


def learning_gap(scenario: Scenario, exams: Features) -> Floats:
    """How far each exam's examiner still is from the full skill, on the logit scale, shape (exams,)."""
    skill = scenario.skill
    learns = np.array([each.start is not None and each.role in skill.learning_roles for each in scenario.examiners])
    start = np.array([each.start or 1 for each in scenario.examiners])
    examiner = exams.numbers["examiner"]
    worked = np.maximum(exams.column("period") + 1 - start[examiner], 0)
    return np.where(learns[examiner], skill.gap * 0.5 ** (worked / skill.half_life_periods), 0.0)


def _covariance(scenario: Scenario) -> Floats:
    skill = scenario.skill
    sds = np.array([skill.spread.sensitivity, skill.spread.specificity])
    correlation = np.array([[1.0, skill.correlation], [skill.correlation, 1.0]])
    jitter = 1e-12 * np.eye(2)  # lets a spread of 0 or a correlation of 1 through the factorisation
    return np.asarray(np.outer(sds, sds) * correlation + jitter)
