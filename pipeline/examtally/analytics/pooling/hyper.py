"""The hyperparameters of pooling: mean and spread of two logits among examiners, and their correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.analytics.intervals import FloatArray

SMALLEST_SD = 1e-6


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
    def of(cls, points: FloatArray) -> Hyper:
        """From unconstrained points (s, 5): two means, two logarithms of standard deviations, Fisher's z."""
        sd = np.exp(np.clip(points[:, 2:4], np.log(SMALLEST_SD), 5.0))
        return cls(points[:, :2], sd, np.tanh(points[:, 4]))

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


def log_prior(points: FloatArray, prior: Prior, free: tuple[bool, ...]) -> FloatArray:
    """Log density of unconstrained points (s, 5) but for a constant; coordinates that are not `free` have none."""
    scaled = points / np.array([prior.mean, prior.mean, 1.0, 1.0, prior.fisher_z])
    terms = -0.5 * scaled**2
    logs = points[:, 2:4]
    terms[:, 2:4] = logs - 0.5 * (np.exp(np.minimum(logs, 20.0)) / prior.sd) ** 2
    return np.asarray(terms[:, np.array(free)].sum(axis=1))
