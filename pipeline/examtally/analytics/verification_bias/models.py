"""The verification and the disease model of one condition, and what shows whether they can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sklearn.metrics import roc_auc_score

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.logistic import Logistic, fit_logistic, standardise
from examtally.processes import one_thread


@dataclass(frozen=True)
class VerificationModels:
    """Both models of one set of knees, (n,) each: `chance` of being verified, `expected` probability of the condition.

    `disease` is the fitted disease model on `design`, (n, k) standardised; None where plain shares stand for it.
    """

    chance: FloatArray
    expected: FloatArray
    design: FloatArray
    disease: Logistic | None
    penalty: float
    chance_converged: bool
    expected_converged: bool


def fit_models(
    design: FloatArray, verified: BoolArray, present: BoolArray, *, is_saturated: bool = False, penalty: float = 1.0
) -> VerificationModels:
    """Fit both models on `design` (n, k): verification on every knee, the condition on the verified ones.

    Columns are standardised over all knees and carry a normal(0, 1/penalty) prior, the intercept none. With
    `is_saturated`, or without a column, both models are the plain shares at each distinct row of the design. ValueError
    where all or none of the verified knees have the condition and the models are not saturated.
    """
    if is_saturated or not design.shape[1]:
        return _saturated(design, verified, present)
    columns = standardise(design)
    with one_thread():
        disease = fit_logistic(columns[verified], present[verified], penalty=penalty, is_scaled=True)
        if verified.all():
            chance, converged = np.ones(verified.size), True
        else:
            verification = fit_logistic(columns, verified, penalty=penalty, is_scaled=True)
            chance, converged = verification.probability(columns), verification.converged
    expected = disease.probability(columns)
    return VerificationModels(chance, expected, columns, disease, penalty, converged, disease.converged)


def _saturated(design: FloatArray, verified: BoolArray, present: BoolArray) -> VerificationModels:
    pattern = np.zeros(verified.size, np.int64)
    if design.shape[1]:
        pattern = np.unique(design, axis=0, return_inverse=True)[1].ravel()
    chance, expected = shares(pattern, verified, present)
    return VerificationModels(chance, expected, design, None, 0.0, True, True)


def shares(pattern: npt.NDArray[np.int64], verified: BoolArray, present: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Share verified, and share with the condition of those, among the knees of each knee's pattern, (n,) each.

    A pattern without a verified knee has the shares 1 and 0; what rests on it cannot be given.
    """
    knees = np.bincount(pattern)
    known = np.bincount(pattern, verified, knees.size)
    with_condition = np.bincount(pattern, verified & present, knees.size)
    has_any = known > 0
    chance = np.where(has_any, known, knees) / np.maximum(knees, 1)
    expected = np.where(has_any, with_condition, 0.0) / np.where(has_any, known, 1.0)
    return chance[pattern], expected[pattern]


def area_under_curve(score: FloatArray, outcome: BoolArray) -> float:
    """Chance that a knee with the outcome has the higher score, ties one half; NaN with one class."""
    return float(roc_auc_score(outcome, score.round(9))) if 0 < outcome.sum() < outcome.size else float("nan")


def effective_weights(chance: FloatArray) -> float:
    """Kish's effective number of verified knees from their chances of verification: (Σw)²/Σw² with w = 1/chance."""
    weight = 1.0 / chance
    return float(weight.sum() ** 2 / (weight**2).sum()) if weight.size else 0.0
