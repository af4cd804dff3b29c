"""Resamples that keep a participant's rows together, and the limits read from them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, stdtrit

from examtally.analytics.calibration.forecasts import Forecasts, IntArray
from examtally.analytics.intervals import FloatArray

_MOST_MISSING = 0.1


def participant_weights(participant: IntArray, draws: int, rng: np.random.Generator) -> FloatArray:
    """How often each row enters each bootstrap sample of participants drawn with replacement: shape (draws, n).

    `participant` (n,) holds codes 0 … m − 1, each present.
    """
    m = int(participant.max()) + 1
    drawn = rng.integers(m, size=(draws, m)) + m * np.arange(draws)[:, None]
    times = np.bincount(drawn.ravel(), minlength=draws * m).reshape(draws, m)
    return times.astype(np.float64)[:, participant]


def calibrated_outcomes(
    forecasts: Forecasts, correlation: float, draws: int, rng: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Outcomes as they would fall if every stated probability were right: shape (draws, n).

    Each row happens where a uniform number lies below its probability; with chance √`correlation` that number is its
    participant's own, so rows of one participant with equal probabilities have this correlation, and every row keeps
    its probability.
    """
    shape = (draws, forecasts.n)
    uniform = rng.random(shape)
    if correlation > 0:
        shared = rng.random((draws, forecasts.participants))[:, forecasts.participant]
        uniform = np.where(rng.random(shape) < np.sqrt(correlation), shared, uniform)
    return uniform < forecasts.probability


def residual_correlation(forecasts: Forecasts, expected: FloatArray) -> float:
    """Correlation of outcomes within participants as `calibrated_outcomes` makes it, by moments; 0 without pairs.

    `expected` (n,) is the probability each row is measured against, rising with the forecast. The products of residuals
    over the pairs of one participant are held against min(e, f) − e·f, their expectation where both share one uniform
    number; the ratio is kept within 0 and 0.95.
    """
    who, size = forecasts.participant, forecasts.participants
    order = np.lexsort((expected, who))
    last = np.cumsum(np.bincount(who, minlength=size)) - 1
    above = np.empty(who.size)
    above[order] = last[who[order]] - np.arange(who.size)
    smaller = 2 * float((above * expected).sum())
    together = smaller - _pair_products(expected, who)
    return (
        float(np.clip(_pair_products(forecasts.outcome - expected, who) / together, 0, 0.95)) if together > 0 else 0.0
    )


def _pair_products(values: FloatArray, participant: IntArray) -> float:
    """Sum of products over the ordered pairs of different rows of one participant."""
    return float((np.bincount(participant, weights=values) ** 2).sum() - (values**2).sum())


def percentile_limits(draws: FloatArray, level: float, participants: int) -> tuple[FloatArray, FloatArray]:
    """Limits from the quantiles of bootstrap values, shape (B, …), along the first axis: two arrays of shape (…).

    The quantiles are moved outwards to make up for few participants (the expanded percentile interval: Hesterberg TC.
    Am Stat 2015;69:371–386). NaN values, where a resample had no estimate, are left out; a limit is NaN
    where over a tenth of the values are missing or where it falls among infinite values.
    """
    m = max(participants, 2)
    tail = float(ndtr(np.sqrt(m / (m - 1)) * stdtrit(m - 1, (1 - level) / 2)))
    with np.errstate(invalid="ignore"):
        missing = np.isnan(draws).mean(axis=0)
        filled = draws if not np.any(missing) else np.where(missing < 1, draws, 0.0)
        low, high = np.nanquantile(filled, [tail, 1 - tail], axis=0)
    low = np.where(np.isfinite(low) & (missing <= _MOST_MISSING), low, np.nan)
    high = np.where(np.isfinite(high) & (missing <= _MOST_MISSING), high, np.nan)
    return low, high
