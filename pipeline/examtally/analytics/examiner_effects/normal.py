"""Estimated logits with known covariance: the likelihood in closed form."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from examtally.analytics.examiner_effects.effects import Curvature, Effects, expected_probability
from examtally.analytics.examiner_effects.hyper import Hyper
from examtally.analytics.intervals import FloatArray


class NormalLikelihood:
    """Logits `estimate` (e, 2), NaN where there is none, with their `covariance` (e, 2, 2) within examiners.

    Source: Reitsma JB et al. J Clin Epidemiol 2005;58:982-990.
    """

    def __init__(self, estimate: npt.ArrayLike, covariance: npt.ArrayLike) -> None:
        y, within = np.asarray(estimate, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
        if y.ndim != 2 or y.shape[1] != 2 or within.shape != (y.shape[0], 2, 2):
            raise ValueError("estimate: two columns, one row an examiner; covariance: a 2 x 2 matrix each")
        known = np.isfinite(y)
        v1, v2 = within[:, 0, 0], within[:, 1, 1]
        v12 = np.where(known.all(axis=1), within[:, 0, 1], 0.0)
        is_sound = np.where(known[:, 0], v1 > 0, True) & np.where(known[:, 1], v2 > 0, True)
        is_sound &= np.where(known.all(axis=1), v1 * v2 - v12**2 > 0, True)
        if not is_sound.all():
            raise ValueError("covariance: positive definite wherever there is an estimate")
        v1, v2 = np.where(known[:, 0], v1, 1.0), np.where(known[:, 1], v2, 1.0)
        det = v1 * v2 - v12**2
        self._y = np.where(known, y, 0.0).T
        self._variance = np.where(known, np.stack([v1, v2], axis=1), np.inf)
        self._w11, self._w22 = np.where(known[:, 0], v2 / det, 0.0), np.where(known[:, 1], v1 / det, 0.0)
        self._w12 = -v12 / det
        self._constant = float(-0.5 * np.log(det).sum() - 0.5 * known.sum() * np.log(2 * np.pi))

    @property
    def examiners(self) -> int:
        return int(self._y.shape[1])

    @property
    def coarse(self) -> NormalLikelihood:
        return self

    def rough(self) -> tuple[FloatArray, FloatArray]:
        return self._y.T.copy(), self._variance

    def log_marginal(self, hyper: Hyper) -> FloatArray:
        r1, r2, g1, g2 = self._residuals(hyper)
        curvature = self._curvature(hyper)
        b1, b2 = self._pulled(hyper, g1, g2)
        v1, v2 = curvature.solve(b1, b2)
        logs = 0.5 * (b1 * v1 + b2 * v2 - r1 * g1 - r2 * g2 - np.log(curvature.determinant))
        return self._constant + np.asarray(logs.sum(axis=1))

    def effects(self, hyper: Hyper) -> Effects:
        a, c, d = hyper.factor
        _, _, g1, g2 = self._residuals(hyper)
        curvature = self._curvature(hyper)
        v1, v2 = curvature.solve(*self._pulled(hyper, g1, g2))
        mean = np.stack([hyper.mean[:, :1] + a * v1, hyper.mean[:, 1:] + c * v1 + d * v2], axis=-1)
        c11, c21, c22 = curvature.root()
        sd = np.stack([np.abs(a * c11), np.hypot(c * c11 + d * c21, d * c22)], axis=-1)
        return Effects(mean, sd, expected_probability(mean, sd))

    def information(self, hyper: Hyper) -> FloatArray:
        """Information of the data on the two means, (s, 2, 2): sum of inverse marginal covariances."""
        a, c, d = hyper.factor
        curvature = self._curvature(hyper)
        # inverse of V + LL' is W - W L H^-1 L' W
        columns = []
        for e1, e2 in ((1.0, 0.0), (0.0, 1.0)):
            g1, g2 = self._w11 * e1 + self._w12 * e2, self._w12 * e1 + self._w22 * e2
            v1, v2 = curvature.solve(*self._pulled(hyper, g1, g2))
            u1, u2 = a * v1, c * v1 + d * v2
            columns.append(
                np.stack(
                    [
                        (g1 - self._w11 * u1 - self._w12 * u2).sum(axis=1),
                        (g2 - self._w12 * u1 - self._w22 * u2).sum(axis=1),
                    ],
                    axis=-1,
                )
            )
        return np.stack(columns, axis=-1)

    def _curvature(self, hyper: Hyper) -> Curvature:
        return Curvature.of(hyper.factor, self._w11, self._w12, self._w22)

    def _residuals(self, hyper: Hyper) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        r1, r2 = self._y[0] - hyper.mean[:, :1], self._y[1] - hyper.mean[:, 1:]
        return r1, r2, self._w11 * r1 + self._w12 * r2, self._w12 * r1 + self._w22 * r2

    @staticmethod
    def _pulled(hyper: Hyper, g1: FloatArray, g2: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Transpose of the factor times a vector."""
        a, c, d = hyper.factor
        return a * g1 + c * g2, d * g2
