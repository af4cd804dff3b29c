"""A smooth calibration curve: logistic regression on a restricted cubic spline of the log-odds of the forecast."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from examtally.analytics.calibration.forecasts import Counts
from examtally.analytics.calibration.recalibration import logit
from examtally.analytics.intervals import FloatArray
from examtally.analytics.logistic import fit_each

# Harrell FE. Regression Modeling Strategies, 2nd ed. 2015, table 2.3: quantiles at which knots are placed.
_KNOTS = {3: (0.10, 0.50, 0.90), 4: (0.05, 0.35, 0.65, 0.95)}
_EVENTS_PER_TERM = 5
_PRIOR_SD = 10.0


@dataclass(frozen=True)
class SplineBasis:
    """Terms of the curve: the linear log-odds, then the cubic terms between `knots` (none of them: a straight line).

    `centre` (q,) and `rotation` (q, q) turn the terms into uncorrelated ones of unit variance over the rows.
    """

    knots: FloatArray
    clip: float
    centre: FloatArray
    rotation: FloatArray

    @classmethod
    def of(cls, counts: Counts, clip: float) -> SplineBasis:
        """Place the knots for one set of forecasts: one term for each 5 rows of the rarer outcome, at most three.

        Fewer where knots would coincide. `counts` holds one resample with at least two distinct forecasts after
        `clip` (ValueError).
        """
        x = logit(counts.values, clip)
        rarer = min(counts.events.sum(), counts.non_events.sum())
        knots = _place_knots(x, counts.trials, int(rarer // _EVENTS_PER_TERM))
        terms = _terms(x, knots)
        weight = counts.trials / counts.trials.sum()
        centre = weight @ terms
        centred = (terms - centre) * np.sqrt(weight)[:, None]
        _, spread, axes = np.linalg.svd(centred, full_matrices=False)
        if spread[0] <= 0:
            raise ValueError("a calibration curve needs at least two distinct forecasts")
        kept = spread > 1e-8 * spread[0]
        return cls(knots, clip, centre, axes[kept].T / spread[kept])

    def design(self, probability: FloatArray) -> FloatArray:
        """Columns of the regression at `probability` (K,): a constant, then the uncorrelated terms."""
        terms = (_terms(logit(probability, self.clip), self.knots) - self.centre) @ self.rotation
        return np.column_stack([np.ones(probability.size), terms])

    def fit(self, counts: Counts) -> FloatArray:
        """Coefficients of every resample, shape (…, q + 1).

        A normal(0, 10) prior on each uncorrelated term (none on the constant) keeps a separated resample finite.
        """
        design = self.design(counts.values)
        precision = np.full(design.shape[1], _PRIOR_SD**-2)
        precision[0] = 0.0
        start = np.zeros(design.shape[1])
        if counts.events.ndim > 1:  # resamples lie about their mean
            every = counts.trials.mean(axis=0), counts.events.mean(axis=0)
            start = fit_each(*every, design, precision=precision)
        return fit_each(counts.trials, counts.events, design, precision=precision, start=start)

    def curve(self, coefficients: FloatArray, probability: FloatArray) -> FloatArray:
        """Recalibrated probability at `probability` (K,) for coefficients (…, q + 1): shape (…, K)."""
        return np.asarray(expit(coefficients @ self.design(probability).T))


def integrated_calibration_index(basis: SplineBasis, counts: Counts, coefficients: FloatArray) -> FloatArray:
    """Mean absolute distance of the curve from the stated probability over the rows of each resample, shape (…).

    `coefficients` (…, q + 1) are those of `basis.fit(counts)`.

    Austin PC, Steyerberg EW. Stat Med 2019;38:4051–4065, with the spline of this module as the smooth curve.
    """
    curve = basis.curve(coefficients, counts.values)
    return counts.mean(np.abs(curve - counts.values))


def _place_knots(x: FloatArray, trials: FloatArray, terms: int) -> FloatArray:
    """Knots at fixed quantiles of the rows, as many as `terms` allows and stay distinct; none for a straight line."""
    rows = np.repeat(x, trials.astype(np.int64))
    for count in (4, 3):
        if terms >= count - 1:
            knots = np.quantile(rows, _KNOTS[count])
            if np.all(np.diff(knots) > 1e-6):
                return np.asarray(knots)
    return np.empty(0)


def _terms(x: FloatArray, knots: FloatArray) -> FloatArray:
    """Linear and restricted cubic terms of `x`, shape (K, 1 + max(knots − 2, 0)) (Harrell 2015, section 2.4.5)."""
    if knots.size == 0:
        return x[:, None]
    cubed = np.maximum(x[:, None] - knots, 0.0) ** 3
    last, before = knots[-1], knots[-2]
    high, top = cubed[:, -2], cubed[:, -1]
    inner = [
        cubed[:, j] - high * (last - knots[j]) / (last - before) + top * (before - knots[j]) / (last - before)
        for j in range(knots.size - 2)
    ]
    scale = np.array([1.0] + [(last - knots[0]) ** 2] * len(inner))
    return np.asarray(np.column_stack([x, *inner]) / scale)
