"""A small logistic regression: the generator must not lean on the estimators it is there to test."""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from examtally.processes import one_thread
from examtally.synthesis.features import Bools, Floats

_STEPS = 30
_LONGEST_STEP = 2.0
_CLOSE = 1e-9


def fit_logistic(known: Floats, present: Bools, offset: Floats | float = 0.0, ridge: float = 0.0) -> Floats:
    """Maximum likelihood coefficients, shape (columns of `known`,), by Newton's method with bounded steps.

    `known` has shape (rows, columns), its first column the intercept, which the ridge (precision of a normal prior at
    0) leaves free; `offset` is added to the log odds of every row.
    """
    penalty = ridge * np.eye(known.shape[1])
    penalty[0, 0] = 0.0
    coefficients = np.zeros(known.shape[1])
    with one_thread():  # small products: threads cost more than they bring
        for _ in range(_STEPS):
            fitted = expit(offset + known @ coefficients)
            curvature = (known * (fitted * (1 - fitted))[:, None]).T @ known + penalty
            step = np.linalg.solve(curvature, known.T @ (present - fitted) - penalty @ coefficients)
            coefficients = coefficients + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
            if np.abs(step).max() < _CLOSE:
                break
    return coefficients
