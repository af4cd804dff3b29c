"""The joint density of what foretells a status and of references that err, for many chains at once.

Parameters of a chain, in order: intercept, one coefficient a term, logit sensitivity of each modality, logit
specificity of each modality, and w, a normal(0, 1): tau = 0.3 |w| is the spread that the weak terms share. A weak
coefficient is held as a multiple of 0.3 w, so that its prior is normal(0, 1) whatever tau is. The status of a knee
without surgery is summed over. All this keeps the density smooth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import log_expit

from examtally.analytics.intervals import BoolArray, FloatArray, IntArray
from examtally.analytics.logistic import fast_expit, log_one_plus_exp

TAU_SPREAD = 0.3  # tau ~ half-normal(0.3)


@dataclass(frozen=True)
class StatusLikelihood:
    """The knees that tell of the parameters, and the priors; what is counted a knee has the precision of `design`.

    `design` (n, 1 + k), ones first; `truth` (n,): 1 or 0 where surgery settled it, NaN elsewhere; `reads` (n, m): what
    each modality read, 1 present, 0 absent, NaN nothing. `mean`, `spread` and `is_weak` (p,), p = 1 + k + 2m, in the
    order of the parameters without tau; a weak one has mean 0 and spread 1, in multiples of tau. `weights` (n,): how
    many knees each stands for, one where left out.
    """

    design: FloatArray
    truth: FloatArray
    reads: FloatArray
    mean: FloatArray
    spread: FloatArray
    is_weak: BoolArray
    weights: FloatArray | None = None

    def natural(self, parameters: FloatArray) -> FloatArray:
        """Coefficients and logit accuracies (p, chains) of parameters (p + 1, chains)."""
        scale = np.where(self.is_weak[:, None], TAU_SPREAD * parameters[-1], 1.0)
        return np.asarray(parameters[:-1] * scale)

    def log_density(self, parameters: FloatArray) -> FloatArray:
        """Log posterior density up to a constant, (chains,), of parameters (p + 1, chains)."""
        return self.log_likelihood(parameters) + self.log_prior(parameters)

    def log_prior(self, parameters: FloatArray) -> FloatArray:
        """Log prior density up to a constant, (chains,)."""
        apart = ((parameters[:-1] - self.mean[:, None]) / self.spread[:, None]) ** 2
        return np.asarray(-0.5 * (apart.sum(axis=0) + parameters[-1] ** 2))

    def log_likelihood(self, parameters: FloatArray) -> FloatArray:
        """Log likelihood of what was read and seen at surgery, (chains,)."""
        return self.told(self.natural(parameters))

    def gradient(self, parameters: FloatArray) -> FloatArray:
        """Gradient of the log density, (p + 1, chains)."""
        return self._density_slope(parameters, self.slope(self.natural(parameters)))

    def likelihood_and_gradient(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`log_likelihood` and `gradient` of the same parameters, in less time than one after the other."""
        told, slope = self.told_and_slope(self.natural(parameters))
        return told, self._density_slope(parameters, slope)

    def _density_slope(self, parameters: FloatArray, slope: FloatArray) -> FloatArray:
        """Gradient of the log density, (p + 1, chains), from that of the log likelihood by natural parameters."""
        by_scale = TAU_SPREAD * (slope * parameters[:-1])[self.is_weak].sum(axis=0) - parameters[-1]
        slope = np.where(self.is_weak[:, None], TAU_SPREAD * parameters[-1] * slope, slope)
        slope -= (parameters[:-1] - self.mean[:, None]) / self.spread[:, None] ** 2
        return np.vstack([slope, by_scale])

    def told(self, natural: FloatArray) -> FloatArray:
        """Log likelihood, (chains,), of coefficients and logit accuracies (p, chains)."""
        return self._told(*self._parts(natural))

    def slope(self, natural: FloatArray) -> FloatArray:
        """Gradient of the log likelihood by coefficients and logit accuracies, (p, chains), at (p, chains) of them."""
        return self._slope(natural, *self._parts(natural))

    def told_and_slope(self, natural: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`told` and `slope` of the same coefficients and logit accuracies."""
        parts = self._parts(natural)
        return self._told(*parts), self._slope(natural, *parts)

    def _told(self, linear: FloatArray, present: FloatArray, absent: FloatArray) -> FloatArray:
        known, truth = self._known
        learned = linear + present - absent  # log odds once the readings are known
        with_it = log_one_plus_exp(learned)
        with_it[known] = truth * learned[known]
        each = with_it + absent - log_one_plus_exp(linear)
        if self.weights is not None:
            each *= self.weights[:, None].astype(each.dtype)
        if each.dtype == np.float64:
            return np.asarray(each.sum(axis=0))
        return np.asarray(np.ones(len(each)) @ each.astype(np.float64))  # the same, in a third of the time of a sum

    def _slope(self, natural: FloatArray, linear: FloatArray, present: FloatArray, absent: FloatArray) -> FloatArray:
        known, truth = self._known
        chance = fast_expit(linear + present - absent)
        chance[known] = truth
        k, m = self._sizes
        design, read = self._counted
        slope = np.empty_like(natural)
        slope[:k] = design.T @ (chance - fast_expit(linear))
        with_it = read.T @ chance
        without = self._readings - with_it
        sensitivity, specificity = fast_expit(natural[k : k + m]), fast_expit(natural[k + m :])
        slope[k : k + m] = with_it[:m] * (1 - sensitivity) - with_it[m:] * sensitivity
        slope[k + m :] = without[m:] * (1 - specificity) - without[:m] * specificity
        return slope

    def odds(self, natural: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log odds of the condition before and after what was read, (n, chains) each."""
        linear, present, absent = self._parts(natural)
        return linear, np.asarray(linear + present - absent)

    @cached_property
    def _sizes(self) -> tuple[int, int]:
        return self.design.shape[1], self.reads.shape[1]

    @cached_property
    def _read(self) -> FloatArray:
        return read_columns(self.reads).astype(self.design.dtype)

    @cached_property
    def _readings(self) -> FloatArray:
        """Number of readings of each column of `_read`, (2m, 1)."""
        return np.asarray(self._counted[1].sum(axis=0)[:, None])

    @cached_property
    def _counted(self) -> tuple[FloatArray, FloatArray]:
        """`design` and `_read`, each row as often as it counts."""
        if self.weights is None:
            return self.design, self._read
        weights = self.weights[:, None].astype(self.design.dtype)
        return self.design * weights, self._read * weights

    @cached_property
    def _known(self) -> tuple[IntArray, FloatArray]:
        """Places of the knees that surgery settled, and what it showed, (known, 1)."""
        known = np.flatnonzero(~np.isnan(self.truth))
        return known, self.truth[known, None].astype(self.design.dtype)

    def _parts(self, natural: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log odds of the condition, and log chance of the readings with it and without it, (n, chains) each."""
        k, m = self._sizes
        natural = natural.astype(self.design.dtype)
        present, absent = reading_chances(self._read, natural[k : k + m], natural[k + m :])
        return self.design @ natural[:k], present, absent


def read_columns(reads: FloatArray) -> FloatArray:
    """Whether each modality read present, then whether it read absent, (n, 2m), from `reads` (n, m)."""
    return np.column_stack([reads == 1, reads == 0]).astype(np.float64)


def reading_chances(
    read: FloatArray, sensitivity: FloatArray, specificity: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Log chance of the readings with and without the condition, (n, chains), from logit accuracies (m, chains).

    `read` (n, 2m) marks who was read present by each modality, then who was read absent.
    """
    with_it = np.vstack([log_expit(sensitivity), log_expit(-sensitivity)])
    without = np.vstack([log_expit(-specificity), log_expit(specificity)])
    return read @ with_it, read @ without
