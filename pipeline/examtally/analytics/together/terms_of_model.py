"""The coefficients of a ridge model with limits that hold when people have several knees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from examtally.analytics.intervals import FloatArray, normal_quantile
from examtally.analytics.together.ridge import Ridge


@dataclass(frozen=True)
class Coefficient:
    """One term: log odds ratio given the others, drawn towards 0 by the penalty, and limits of the odds ratio."""

    value: float
    ratio: float
    ci_low: float | None
    ci_high: float | None


def coefficients(
    model: Ridge, design: npt.ArrayLike, outcome: npt.ArrayLike, participant: npt.ArrayLike, level: float = 0.95
) -> tuple[Coefficient, ...]:
    """Coefficients of `model` without its intercept, limits from the sandwich summed over people, m/(m-1).

    `design` (n, k), `outcome` (n,) and `participant` (n,) are those of the fit. The limits are about the penalised
    coefficient: they do not undo the drawing towards 0. None with fewer than two people or for a constant column.

    >>> from examtally.analytics.together.ridge import fit_ridge
    >>> x, y = np.tile([[0.0], [1.0]], (20, 1)), np.tile([0, 1, 1, 1], 10)
    >>> (one,) = coefficients(fit_ridge(x, y, penalty=0.01), x, y, np.arange(40))
    >>> one.ci_low < one.ratio < one.ci_high
    True

    Source: Liang KY, Zeger SL. Biometrika 1986;73:13-22 (robust variance).
    """
    x, y = np.asarray(design, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    who = np.unique(np.asarray(participant), return_inverse=True)[1]
    people = int(who.max(initial=-1)) + 1
    known = np.column_stack([np.ones(y.size), np.where(np.ptp(x, axis=0) > 0, x, 0.0)])
    scores = known * (y - expit(model.log_odds(x)))[:, None]
    summed = np.zeros((people, known.shape[1]))
    np.add.at(summed, who, scores)
    bread = np.linalg.inv(model.information)
    spread = np.sqrt(np.maximum(np.diag(bread @ (summed.T @ summed) @ bread), 0.0))
    half = normal_quantile(level) * spread * np.sqrt(people / (people - 1)) if people > 1 else np.zeros(spread.size)
    return tuple(_one(value, width) for value, width in zip(model.coefficients[1:], half[1:], strict=True))


def _one(value: float, half: float) -> Coefficient:
    ratio: FloatArray = np.exp(np.array([value, value - half, value + half]))
    if not half > 0:
        return Coefficient(float(value), float(ratio[0]), None, None)
    return Coefficient(float(value), float(ratio[0]), float(ratio[1]), float(ratio[2]))
