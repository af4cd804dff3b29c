"""The hyperparameters of pooling: mean and spread of two logits among examiners, and their correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from examtally.analytics.intervals import FloatArray

SMALLEST_SD, LARGEST_SD = 1e-6, 100.0


@dataclass(frozen=True)
class Prior:
    """Half-normal on each standard deviation, normal on each mean (around 0) and on Fisher's z of the correlation.

    All on the logit scale.

    >>> print(Prior())
    SD half-normal(0, 1), means normal(0, 2.5), Fisher z of the correlation normal(0, 1), logit scale
    """

    sd: float = 1.0
    mean: float = 2.5
    fisher_z: float = 1.0

    def __str__(self) -> str:
        return (
            f"SD half-normal(0, {self.sd:g}), means normal(0, {self.mean:g}), "
            f"Fisher z of the correlation normal(0, {self.fisher_z:g}), logit scale"
        )


@dataclass(frozen=True)
class Hyper:
    """Points of the hyperparameter space: `mean` (s, 2), `sd` (s, 2), `correlation` (s,).

    The effects of an examiner are `factor` times two independent standard normals, which stays sound where a standard
    deviation is 0 or the correlation is -1 or 1.
    """

    mean: FloatArray
    sd: FloatArray
    correlation: FloatArray

    @classmethod
    def from_logs(cls, points: FloatArray) -> Hyper:
        """From (s, 5): two means, two logarithms of standard deviations, Fisher's z."""
        return cls._of(points, np.exp(points[:, 2:4]))

    @classmethod
    def from_scores(cls, points: FloatArray, prior: Prior) -> Hyper:
        """From (s, 5): two means, two normal scores of standard deviations under the prior, Fisher's z.

        The score of a standard deviation has a standard normal prior; its posterior keeps a normal shape near 0.
        """
        return cls._of(points, -prior.sd * ndtri(0.5 * ndtr(-points[:, 2:4])))

    @classmethod
    def _of(cls, points: FloatArray, sd: FloatArray) -> Hyper:
        return cls(points[:, :2], np.clip(sd, SMALLEST_SD, LARGEST_SD), np.tanh(points[:, 4]))

    @property
    def factor(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Lower triangle of the factor of the covariance, each (s, 1): first, below it, second."""
        first, second = self.sd[:, :1], self.sd[:, 1:]
        rho = self.correlation[:, None]
        return first, second * rho, second * np.sqrt(np.maximum(1.0 - rho**2, 0.0))

    def __getitem__(self, chosen: slice) -> Hyper:
        return Hyper(self.mean[chosen], self.sd[chosen], self.correlation[chosen])

    def __len__(self) -> int:
        return len(self.correlation)


def score_of(sd: FloatArray, prior: Prior) -> FloatArray:
    """Normal score of a standard deviation under the prior.

    >>> Hyper.from_scores(np.array([[0, 0, *score_of(np.array([0.1, 1.5]), Prior()), 0]]), Prior()).sd.round(6)
    array([[0.1, 1.5]])
    """
    return -np.asarray(ndtri(2.0 * ndtr(-sd / prior.sd)))


def log_prior(points: FloatArray, prior: Prior) -> FloatArray:
    """Log density of points with scores (s, 5) but for a constant."""
    scaled = points / np.array([prior.mean, prior.mean, 1.0, 1.0, prior.fisher_z])
    return np.asarray(-0.5 * (scaled**2).sum(axis=1))


def log_prior_ratio(hyper: Hyper, prior: Prior, factor: float) -> FloatArray:
    """Log of how much more likely the standard deviations, (s,), would be had their prior `factor` times its scale."""
    return np.asarray(0.5 * ((hyper.sd / prior.sd) ** 2).sum(axis=1) * (1.0 - factor**-2))
