"""The verification and the disease model of one condition, and what shows whether they can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import rankdata

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification.logistic import Logistic, fit_logistic, standardise


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

    With `is_saturated` the design is one 0/1 column and both models are the plain shares at its two values. Without a
    column the models are the plain shares. ValueError where no knee is verified, or all or none of those have the
    condition. Columns are standardised over all knees and carry a normal(0, 1/penalty) prior, the intercept none.
    """
    if is_saturated or not design.shape[1]:
        value = design[:, 0] if design.shape[1] else np.zeros(verified.size)
        return _saturated(value > 0, design, verified, present)
    columns = standardise(design)
    disease = fit_logistic(columns[verified], present[verified], penalty=penalty)
    if verified.all():
        chance, converged = np.ones(verified.size), True
    else:
        verification = fit_logistic(columns, verified, penalty=penalty)
        chance, converged = verification.probability(columns), verification.converged
    expected = disease.probability(columns)
    return VerificationModels(chance, expected, columns, disease, penalty, converged, disease.converged)


def _saturated(value: BoolArray, design: FloatArray, verified: BoolArray, present: BoolArray) -> VerificationModels:
    chance, expected = np.ones(value.size), np.zeros(value.size)
    for side in (value, ~value):
        if side.any():
            chance[side] = verified[side].mean()
            expected[side] = present[side & verified].mean() if (side & verified).any() else 0.0
    return VerificationModels(chance, expected, design, None, 0.0, True, True)


def area_under_curve(score: FloatArray, outcome: BoolArray) -> float:
    """Chance that a knee with the outcome has the higher score, ties one half; NaN with one class."""
    events = int(outcome.sum())
    others = outcome.size - events
    if not events or not others:
        return float("nan")
    return float((rankdata(score)[outcome].sum() - events * (events + 1) / 2) / (events * others))


def effective_weights(chance: FloatArray) -> float:
    """Kish's effective number of verified knees from their chances of verification: (Σw)²/Σw² with w = 1/chance."""
    weight = 1.0 / chance
    return float(weight.sum() ** 2 / (weight**2).sum()) if weight.size else 0.0
