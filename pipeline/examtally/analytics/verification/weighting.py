"""How one knee counts in a corrected 2x2 table: doubly robust, or weighted by its chance of verification."""

from __future__ import annotations

import numpy as np

from examtally.analytics.intervals import BoolArray, FloatArray


def augmented(
    positive: BoolArray, present: BoolArray, verified: BoolArray, chance: FloatArray, expected: FloatArray
) -> FloatArray:
    """Contribution of each knee to tp, fp, fn, tn, (n, 4), by the doubly robust (AIPW) estimator.

    A knee counts as with the condition by r + V(D - r)/p: `expected` r is the modelled probability of the condition,
    `chance` p that of verification, V whether it is `verified` and D whether the condition is `present` (ignored
    where not verified). Right if either model is.

    Source: Alonzo TA, Pepe MS. J R Stat Soc C 2005;54:173–190, eq. 6 (semiparametric efficient estimator).
    """
    residual = np.where(verified, (present.astype(np.float64) - expected) / chance, 0.0)
    with_condition = expected + residual
    return _cells(positive, with_condition, 1.0 - with_condition)


def weighted(positive: BoolArray, present: BoolArray, verified: BoolArray, chance: FloatArray) -> FloatArray:
    """Contribution of each knee to tp, fp, fn, tn, (n, 4), by the inverse of its chance of verification.

    Source: Alonzo & Pepe 2005, eq. 5; Horvitz DG, Thompson DJ. J Am Stat Assoc 1952;47:663–685.
    """
    weight = np.where(verified, 1.0 / chance, 0.0)
    return _cells(positive, np.where(present, weight, 0.0), np.where(present, 0.0, weight))


def _cells(positive: BoolArray, with_condition: FloatArray, without: FloatArray) -> FloatArray:
    one = positive.astype(np.float64)
    return np.column_stack([one * with_condition, one * without, (1 - one) * with_condition, (1 - one) * without])
