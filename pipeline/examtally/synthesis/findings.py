"""What the hands find: the true probability of a positive finding, the coin, and what reaches the sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from examtally.synthesis.chance import shift
from examtally.synthesis.clinical_sections import Habits
from examtally.synthesis.exams import first_of_look
from examtally.synthesis.features import BLANK, Features, Floats, Indices
from examtally.synthesis.people import Population
from examtally.synthesis.population import DrawContext
from examtally.synthesis.scenario import ManeuverPlan
from examtally.synthesis.skill import Hands

RESULTS = ("positive", "negative", "equivocal", "not_done")
POSITIVE, NEGATIVE, EQUIVOCAL, NOT_DONE = range(4)
WITHOUT_DRIVER = "none"


@dataclass(frozen=True)
class Found:
    """One column a maneuver of the scenario, one row an exam.

    `probability[i, m]`: of a positive finding, given everything but the coin. `result[i, m]`: an index into RESULTS,
    BLANK where there is no row.
    """

    maneuvers: tuple[str, ...]
    probability: npt.NDArray[np.float32]
    result: npt.NDArray[np.int8]

    def at(self, rows: Indices) -> Found:
        """The same for some exams."""
        return Found(self.maneuvers, self.probability[rows], self.result[rows])


def find(context: DrawContext, population: Population, exams: Features, hands: Hands) -> Found:
    """Draw every finding of every exam."""
    shared = _Shared(context, population, exams)
    probability = np.empty((exams.rows, len(context.scenario.maneuvers)), dtype=np.float32)
    result = np.empty(probability.shape, dtype=np.int8)
    for column, (code, plan) in enumerate(context.scenario.maneuvers.items()):
        more_sensitive, more_specific = hands.added(context.scenario, exams, column)
        centre = _centre(plan, exams, more_sensitive, more_specific)
        probability[:, column] = expit(centre + shift(plan.shift, exams) + shared.of(plan))
        result[:, column] = _result(context.random(f"finding {code}"), plan.habits, exams, probability[:, column])
    return Found(tuple(context.scenario.maneuvers), probability, result)


def _centre(plan: ManeuverPlan, exams: Features, more_sensitive: Floats, more_specific: Floats) -> Floats:
    """Logit of a positive finding where nothing else is special."""
    if plan.rate is not None:
        return np.asarray(logit(np.clip(plan.rate.probability(exams), 1e-9, 1 - 1e-9)) + more_sensitive)
    assert plan.accuracy is not None
    assert plan.driver is not None
    present = logit(plan.accuracy.sensitivity) + more_sensitive
    absent = -logit(plan.accuracy.specificity) - more_specific
    return np.asarray(np.where(exams.numbers[plan.driver], present, absent))


class _Shared:
    """The normal quantities that findings of a family share within a person, a knee and an exam."""

    def __init__(self, context: DrawContext, population: Population, exams: Features) -> None:
        self._world, self._exams = context, exams
        self._knees = population.knees.rows
        self._leader = _leader(exams)
        self._cache: dict[str, tuple[Floats, Floats]] = {}

    def of(self, plan: ManeuverPlan) -> Floats:
        """The sum of the shared quantities of one maneuver, on the logit scale, shape (exams,)."""
        family = self._world.scenario.families[plan.family]
        knee, hands = self._drawn(plan.driver or WITHOUT_DRIVER)
        return family.person * self._exams.column(f"person.{plan.family}") + family.joint * knee + family.hands * hands

    def _drawn(self, driver: str) -> tuple[Floats, Floats]:
        if driver not in self._cache:
            random = self._world.random(f"shared {driver}")
            knee = random.standard_normal(self._knees)[self._exams.numbers["knee"]]
            hands = random.standard_normal(self._exams.rows)[self._leader]
            self._cache[driver] = knee, hands
        return self._cache[driver]


def _leader(exams: Features) -> Indices:
    """The exam whose hands an exam follows: the first of that look where its findings were known, else itself."""
    follows = exams.numbers["second_hands"] & exams.coded["other_exam_known"].equals("yes")
    return np.where(follows, first_of_look(exams), np.arange(exams.rows))


def _result(
    random: np.random.Generator, habits: Habits, exams: Features, probability: npt.NDArray[np.float32]
) -> npt.NDArray[np.int8]:
    """Left out, not done, unclear, or the coin. Nothing but the coin depends on the coin."""
    doubt = 4.0 * probability * (1.0 - probability)
    result = np.where(random.random(exams.rows) < probability, POSITIVE, NEGATIVE)
    result = np.where(random.random(exams.rows) < habits.equivocal.probability(exams) * doubt, EQUIVOCAL, result)
    result = np.where(habits.not_done.draw(random, exams), NOT_DONE, result)
    return np.where(habits.not_recorded.draw(random, exams), BLANK, result).astype(np.int8)


def add_positives(found: Found, exams: Features) -> None:
    """Add the findings as features: `finding.x` is 1 where x stands on the sheet as positive."""
    positives = found.result == POSITIVE
    exams.update({f"finding.{code}": positives[:, column] for column, code in enumerate(found.maneuvers)})
