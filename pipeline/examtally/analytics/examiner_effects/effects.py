"""What is known of each examiner once the hyperparameters are given, and the two-by-two algebra behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.special import expit

from examtally.analytics.examiner_effects.hyper import Hyper
from examtally.analytics.intervals import FloatArray


@dataclass(frozen=True)
class Effects:
    """Logits of every examiner at every point: mean and standard deviation, and the mean probability, (s, e, 2)."""

    mean: FloatArray
    sd: FloatArray
    probability: FloatArray

    def moved(self, shift: FloatArray) -> Effects:
        """All logits of each point moved by its `shift` (s, 2)."""
        mean = self.mean + shift[:, None, :]
        return Effects(mean, self.sd, expected_probability(mean, self.sd))


class Likelihood(Protocol):
    """What a model of the examiners' data must give at points of the hyperparameter space."""

    @property
    def examiners(self) -> int:
        """Number of examiners."""

    @property
    def coarse(self) -> Likelihood:
        """A cheaper likelihood, good enough to find the mode by."""

    def log_marginal(self, hyper: Hyper) -> FloatArray:
        """Log likelihood with the effects integrated out, (s,)."""

    def effects(self, hyper: Hyper) -> Effects:
        """The examiners' logits given the hyperparameters."""

    def rough(self) -> tuple[FloatArray, FloatArray]:
        """Empirical logits (e, 2) and their variances, infinite where there are no data."""


@dataclass(frozen=True)
class Curvature:
    """Precision of the two standardised effects, (s, e) each: h11, h12, h22."""

    h11: FloatArray
    h12: FloatArray
    h22: FloatArray

    @classmethod
    def of(cls, factor: tuple[FloatArray, FloatArray, FloatArray], w11: FloatArray, w12: FloatArray | float,
           w22: FloatArray) -> Curvature:  # fmt: skip
        """Precision 1 of the effects plus that of the data, w11, w12, w22 on the logit scale."""
        a, c, d = factor
        return cls(
            1.0 + a * a * w11 + 2 * a * c * w12 + c * c * w22,
            a * d * w12 + c * d * w22,
            1.0 + d * d * w22,
        )

    @property
    def determinant(self) -> FloatArray:
        return self.h11 * self.h22 - self.h12**2

    def solve(self, b1: FloatArray, b2: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The inverse times a vector."""
        det = self.determinant
        return (self.h22 * b1 - self.h12 * b2) / det, (self.h11 * b2 - self.h12 * b1) / det

    def root(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Lower triangle of the Cholesky factor of the inverse: first, below it, second."""
        det = self.determinant
        first = np.sqrt(self.h22 / det)
        return first, -self.h12 / (det * first), 1.0 / np.sqrt(self.h22)


def expected_probability(mean: FloatArray, sd: FloatArray) -> FloatArray:
    """Mean of the probability whose logit is normal, by 15 Gauss-Hermite nodes."""
    place, weight = np.polynomial.hermite.hermgauss(15)
    total = np.zeros_like(mean)
    for x, w in zip(place, weight / np.sqrt(np.pi), strict=True):
        total += w * expit(mean + np.sqrt(2.0) * sd * x)
    return total
