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
        taught = _taught(scenario, exams, column)
        return (
            self.sensitivity[examiner, column] + role_sensitivity - gap + taught[0],
            self.specificity[examiner, column] + role_specificity - gap + taught[1],
        )


def draw_hands(scenario: Scenario, streams: Streams) -> Hands:
    """Draw the examiners' deviations: bivariate normal, partly common to all maneuvers. Fixed by the seed alone."""
    skill, random = scenario.skill, streams.of("examiners")
    shape = (len(scenario.examiners), len(scenario.maneuvers))
    common = random.standard_normal((2, shape[0], 1))
    own = random.standard_normal((2, *shape))
    first, second = np.sqrt(skill.shared) * common + np.sqrt(1 - skill.shared) * own
    along, across = skill.correlation, np.sqrt(1 - skill.correlation**2)
    return Hands(skill.spread.sensitivity * first, skill.spread.specificity * (along * first + across * second))


def _taught(scenario: Scenario, exams: Features, column: int) -> tuple[Floats, Floats]:
    """What interventions add to logit sensitivity and logit specificity of one maneuver, shape (exams,) each."""
    added = np.zeros((2, exams.rows))
    site = np.array([each.site for each in scenario.examiners])[exams.numbers["examiner"]]
    for effect in scenario.interventions:
        if effect.maneuver == tuple(scenario.maneuvers)[column]:
            reached = (exams.column("period") + 1 >= effect.period) & (np.isin(site, effect.sites) | (not effect.sites))
            added[0] += effect.sensitivity * reached
            added[1] += effect.specificity * reached
    return added[0], added[1]


def learning_gap(scenario: Scenario, exams: Features) -> Floats:
    """How far each exam's examiner still is from the full skill, on the logit scale, shape (exams,)."""
    skill = scenario.skill
    learns = np.array([each.start is not None and each.role in skill.learning.roles for each in scenario.examiners])
    start = np.array([each.start or 1 for each in scenario.examiners])
    examiner = exams.numbers["examiner"]
    worked = np.maximum(exams.column("period") + 1 - start[examiner], 0)
    return np.where(learns[examiner], skill.learning.gap * 0.5 ** (worked / skill.learning.half_life_periods), 0.0)
