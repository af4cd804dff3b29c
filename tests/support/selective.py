"""Cohorts whose imaging follows the findings: what the knees are, what was found, and who was verified.

People, 15 % of them with both knees; a person's knees share examiner, acuity and how hard the body is to examine, and
often the condition. Twelve fixed examiners differ in sensitivity and specificity. Three maneuvers speak of the
condition; severe cases are easier to find by all of them. Effusion and acuity go with the condition.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import expit, logit

BILATERAL, COPIED, PREVALENCE = 0.15, 0.4, 0.30
SEVERE, HARD = 0.5, 0.3
SENSITIVITY, SPECIFICITY = np.array([0.80, 0.72, 0.65]), np.array([0.85, 0.80, 0.88])
BY_SEVERITY, BY_HARDNESS = 0.5, 0.4  # log-odds up or down
EXAMINERS = 0.4 * np.array([-1.6, -1.1, -0.8, -0.5, -0.3, -0.1, 0.1, 0.3, 0.5, 0.8, 1.1, 1.6])
ORDER = np.array([7, 2, 11, 0, 5, 9, 3, 10, 1, 6, 8, 4])  # specificity effects, other examiners good at it


@dataclass(frozen=True)
class Imaging:
    """Log-odds of verification: intercept, effect of each maneuver, of effusion, of acuity, and of the truth itself."""

    intercept: float
    maneuvers: tuple[float, float, float]
    effusion: float = 0.0
    acute: float = 0.0
    truth: float = 0.0


@dataclass(frozen=True)
class Knees:
    """One cohort: (n,) arrays, `findings` (n, 3), `others` (n, k) findings that speak of other things."""

    person: np.ndarray
    present: np.ndarray
    findings: np.ndarray
    effusion: np.ndarray
    acute: np.ndarray
    verified: np.ndarray
    others: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def covariates(self) -> np.ndarray:
        """All that drives imaging and is recorded, (n, 5)."""
        return np.column_stack([self.findings, self.effusion, self.acute]).astype(float)


def draw(knees: int, imaging: Imaging, rng: np.random.Generator, others: int = 0) -> Knees:
    """A cohort of exactly `knees` knees, with `others` findings that follow effusion and acuity a little."""
    people = round(knees / (1 + BILATERAL))
    person = np.concatenate([np.arange(people), rng.choice(people, knees - people, replace=False)])
    first = rng.random(people) < PREVALENCE
    is_second = np.arange(knees) >= people
    copied = is_second & (rng.random(knees) < COPIED)
    present = np.where(is_second & ~copied, rng.random(knees) < PREVALENCE, first[person])
    examiner = rng.integers(EXAMINERS.size, size=people)[person]
    hard = (rng.random(people) < HARD)[person]
    severe = rng.random(knees) < SEVERE
    acute = (rng.random(people) < expit(-0.6 + 1.2 * first))[person]
    effusion = rng.random(knees) < expit(-1.5 + 1.6 * present + 0.6 * acute)
    findings = rng.random((knees, 3)) < _positive(present, examiner, severe, hard)
    chance = expit(
        imaging.intercept
        + findings @ np.array(imaging.maneuvers)
        + imaging.effusion * effusion
        + imaging.acute * acute
        + imaging.truth * present
    )
    noise = rng.random((knees, others)) < expit(rng.normal(-1, 0.7, others) + 0.5 * effusion[:, None])
    return Knees(person, present, findings, effusion, acute, rng.random(knees) < chance, noise)


def truth() -> tuple[np.ndarray, np.ndarray]:
    """Sensitivity and specificity of each maneuver, over examiners, severity and bodies."""
    examiner, severe, hard = (part.ravel() for part in np.meshgrid(np.arange(12), [0, 1], [0, 1], indexing="ij"))
    weight = np.where(severe, SEVERE, 1 - SEVERE) * np.where(hard, HARD, 1 - HARD) / 12
    with_condition, without = (
        weight @ _positive(np.full(weight.size, present), examiner, severe, hard) for present in (True, False)
    )
    return with_condition, 1 - without


def _positive(present: np.ndarray, examiner: np.ndarray, severe: np.ndarray, hard: np.ndarray) -> np.ndarray:
    """Chance of a positive finding by each maneuver, (n, 3)."""
    find = EXAMINERS[examiner] + BY_SEVERITY * (2 * severe - 1) - BY_HARDNESS * hard
    clear = EXAMINERS[ORDER[examiner]] - BY_HARDNESS * hard
    return np.where(
        present[:, None], expit(logit(SENSITIVITY) + find[:, None]), 1 - expit(logit(SPECIFICITY) + clear[:, None])
    )
