"""How well calibrated the examiners of a scenario truly are, imaged or not."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.special import logit

from examtally.synthesis.clinic import Clinic
from examtally.synthesis.estimands import OVERALL, Row
from examtally.synthesis.features import Bools, Floats
from examtally.synthesis.logistic import fit_logistic

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
