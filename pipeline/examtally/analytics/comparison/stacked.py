"""Two 2x2 tables side by side, whose knees may be the same and whose participants may have several.

Cells stand in the order tp, fp, fn, tn of a, then of b. A knee adds to both tables where it was examined by both
maneuvers, to one where the tables are of two groups; its contributions may be whole (verified knees) or not (corrected
for verification). The products of contributions, summed over participants, hold every variance and covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.analytics.diagnostic_accuracy import likelihood_ratios as ratios
from examtally.analytics.diagnostic_accuracy.clustering import linear_covariance, margin, ratio_weights
from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS
from examtally.analytics.intervals import FloatArray

A, B = slice(0, 4), slice(4, 8)


@dataclass(frozen=True)
class Estimates:
    """One measure of both tables, its variances and their covariance; NaN where it cannot be had.

    Proportions: of the estimates; on the logarithmic scale, of their logarithms.
    """

    a: FloatArray
    b: FloatArray
    variance_a: FloatArray
    variance_b: FloatArray
    covariance: FloatArray

    @property
    def variance(self) -> FloatArray:
        """Variance of the difference a - b, not below 0 by rounding."""
        total = self.variance_a + self.variance_b - 2 * self.covariance
        scale = self.variance_a + self.variance_b
        return np.where(total > 1e-12 * scale, total, 0.0 * total)

    @property
    def correlation(self) -> FloatArray:
        """Correlation of the estimates, within -1 and 1; NaN where one does not vary."""
        spread = np.sqrt(self.variance_a * self.variance_b)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(spread > 0, np.clip(self.covariance / spread, -1, 1), np.nan)


@dataclass(frozen=True)
class Stacked:
    """`cells` (rows, 8), `products` (rows, 8, 8); clusters are given with each question, infinite for independence."""

    cells: FloatArray
    products: FloatArray

    def proportion(self, measure: str, clusters: FloatArray) -> Estimates:
        """Sensitivity, specificity, ppv or npv of both tables.

        Source: linearisation: Rao JNK, Scott AJ. Biometrics 1992;48:577–585, eq. 2. With `clusters` participants it is
        the robust variance of generalised estimating equations with independence working correlation and identity
        link, times m/(m − 1).
        """
        events, denominator = PROPORTIONS[measure]
        inside = DENOMINATORS[denominator]
        values, weights = [], []
        for side in (A, B):
            cells = self.cells[:, side]
            with np.errstate(divide="ignore", invalid="ignore"):
                values.append(cells @ margin(events) / (cells @ margin(inside)))
            weights.append(ratio_weights(cells, events, inside))
        return self._estimates(values, weights, clusters)

    def logarithm(self, measure: str, clusters: FloatArray) -> Estimates:
        """A measure of both tables with the variances of its logarithm, NaN where that is not finite."""
        if measure in PROPORTIONS:
            found = self.proportion(measure, clusters)
            with np.errstate(divide="ignore", invalid="ignore"):
                return Estimates(
                    found.a,
                    found.b,
                    np.where(found.a > 0, found.variance_a / found.a**2, np.nan),
                    np.where(found.b > 0, found.variance_b / found.b**2, np.nan),
                    np.where((found.a > 0) & (found.b > 0), found.covariance / (found.a * found.b), np.nan),
                )
        values = [ratios.point(measure, self.cells[:, side]) for side in (A, B)]
        weights = [ratios.influence(measure, self.cells[:, side]) for side in (A, B)]
        usable = [np.isfinite(value) & (value > 0) for value in values]
        values = [np.where(fine, value, np.nan) for fine, value in zip(usable, values, strict=True)]
        weights = [np.where(fine[:, None], each, np.nan) for fine, each in zip(usable, weights, strict=True)]
        return self._estimates(values, weights, clusters)

    def _estimates(self, values: list[FloatArray], weights: list[FloatArray], clusters: FloatArray) -> Estimates:
        nothing = np.zeros_like(weights[0])
        first, second = np.hstack([weights[0], nothing]), np.hstack([nothing, weights[1]])
        return Estimates(
            values[0],
            values[1],
            self._quadratic(first, first, clusters),
            self._quadratic(second, second, clusters),
            self._quadratic(first, second, clusters),
        )

    def _quadratic(self, first: FloatArray, second: FloatArray, clusters: FloatArray) -> FloatArray:
        independent = np.isinf(clusters)
        found = linear_covariance(first, second, self.products, np.where(independent, 2.0, clusters))
        return np.where(independent, found / 2.0, found)
