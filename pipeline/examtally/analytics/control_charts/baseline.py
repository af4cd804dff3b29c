"""What twelve baseline periods leave open about the usual value, and what the periods to come may then bring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, TypeAlias

import numpy as np
from scipy.special import expit, log_expit, logit, logsumexp, roots_hermitenorm
from scipy.stats import binom, t

from examtally.analytics.intervals import FloatArray, IntArray

BASELINE = 12
_MONTHS_APART = 0.1  # scale of the half-Cauchy prior of the spread between periods, on the logit scale
_NODES, _POINTS, _SPREADS = 15, 41, 20
_LARGEST = 1.5  # spread between periods
_WIDTH = 6.0  # of the grid, in standard errors of the logit


@dataclass(frozen=True)
class ShareBaseline:
    """Shares of cases: binomial about a share of their own in each period, logit-normal about the usual one.

    The posterior of the usual logit share (Jeffreys' prior of a share) and of the spread between periods (half-Cauchy
    with scale 0.1) stands on a grid: `weights` (points,), `logits`, `spreads`. Periods may differ by more than chance
    without a test deciding it.
    """

    centre: float
    centre_variance: float
    logits: FloatArray
    spreads: FloatArray
    weights: FloatArray
    highest: ClassVar[float] = 1.0

    @classmethod
    def of(cls, events: IntArray, sizes: IntArray) -> ShareBaseline:
        """Fit `events` of `sizes`, (periods,); ValueError where there is no case."""
        total, seen = int(events.sum()), int(sizes.sum())
        if not seen:
            raise ValueError("a baseline needs cases")
        middle = logit((total + 0.5) / (seen + 1))
        width = np.sqrt(1 / (total + 0.5) + 1 / (seen - total + 0.5) + _MONTHS_APART**2 / events.size)
        logits = middle + width * np.linspace(-_WIDTH, _WIDTH, _POINTS)
        spreads = _LARGEST * np.linspace(0.0, 1.0, _SPREADS) ** 2  # finer where the prior has its weight
        nodes, chances = roots_hermitenorm(_NODES)
        at = logits[:, None, None] + spreads[None, :, None] * nodes  # (logits, spreads, nodes)
        log_share = events * log_expit(at)[..., None] + (sizes - events) * log_expit(-at)[..., None]
        likelihood = logsumexp(log_share, axis=2, b=(chances / chances.sum())[:, None])
        prior = 0.5 * (log_expit(logits) + log_expit(-logits))[:, None]
        prior = prior + np.log(np.gradient(spreads)) - np.log1p((spreads / _MONTHS_APART) ** 2)
        log_weights = (likelihood.sum(axis=-1) + prior).ravel()
        weights = np.exp(log_weights - log_weights.max())
        weights /= weights.sum()
        grid = np.broadcast_arrays(logits[:, None], spreads)
        flat_logits, flat_spreads = grid[0].ravel(), grid[1].ravel()
        shares = expit(flat_logits)
        centre = float(weights @ shares)
        return cls(centre, float(weights @ (shares - centre) ** 2), flat_logits, flat_spreads, weights)

    def variance(self, sizes: IntArray) -> FloatArray:
        """Binomial variance and that between periods, by the delta method."""
        unit = self.centre * (1 - self.centre)
        apart = float(self.weights @ self.spreads**2)
        spread: FloatArray = unit / np.maximum(sizes, 1) + apart * unit**2
        return spread

    def draw(self, sizes: IntArray, shift: float, rng: np.random.Generator) -> FloatArray:
        """Shares of periods to come; `shift` is added to the logit of the usual share."""
        place = rng.choice(np.arange(self.weights.size), (sizes.shape[0], 1), p=self.weights)
        own = self.logits[place] + shift + self.spreads[place] * rng.standard_normal(sizes.shape)
        shares: FloatArray = rng.binomial(sizes, expit(own)) / np.maximum(sizes, 1)
        return shares

    def tails(self, values: FloatArray, sizes: IntArray) -> FloatArray:
        """Predictive chance of so many events or more, or so few or fewer, whichever side the value lies on."""
        rng = np.random.default_rng(0)
        place = rng.choice(np.arange(self.weights.size), 2000, p=self.weights)
        shares = expit(self.logits[place] + self.spreads[place] * rng.standard_normal(place.size))[:, None]
        events = np.rint(values * sizes)
        above, below = binom.sf(events - 1, sizes, shares).mean(axis=0), binom.cdf(events, sizes, shares).mean(axis=0)
        chance: FloatArray = np.where(values >= self.centre, above, below)
        return chance


@dataclass(frozen=True)
class ValueBaseline:
    """Values of periods, normal about the usual one with a variance of which the baseline holds `freedom` degrees."""

    centre: float
    centre_variance: float
    spread: float
    freedom: int
    highest: ClassVar[float] = np.inf

    @classmethod
    def of(cls, values: FloatArray) -> ValueBaseline:
        """Fit `values`, (periods,), without missing ones; ValueError below two."""
        if values.size < 2:
            raise ValueError("a baseline needs two values")
        spread = max(float(values.var(ddof=1)), np.finfo(np.float64).tiny)
        return cls(float(values.mean()), spread / values.size, spread, values.size - 1)

    def variance(self, sizes: IntArray) -> FloatArray:
        """The variance of the baseline, whatever the number of cases."""
        return np.full(sizes.shape, self.spread)

    def draw(self, sizes: IntArray, shift: float, rng: np.random.Generator) -> FloatArray:
        """Values to come with mean and variance as the baseline leaves them (normal-inverse-chi-squared)."""
        spread = self.spread * self.freedom / rng.chisquare(self.freedom, (sizes.shape[0], 1))
        mean = self.centre + shift + np.sqrt(spread / (self.freedom + 1)) * rng.standard_normal(spread.shape)
        values: FloatArray = mean + np.sqrt(spread) * rng.standard_normal(sizes.shape)
        return values

    def tails(self, values: FloatArray, _sizes: IntArray) -> FloatArray:
        """Predictive chance of a value at least as far from the usual one on its side: Student's t."""
        scale = np.sqrt(self.spread + self.centre_variance)
        chance: FloatArray = t.sf(np.abs(values - self.centre) / scale, self.freedom)
        return chance


Baseline: TypeAlias = ShareBaseline | ValueBaseline
