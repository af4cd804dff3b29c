"""Scores of stated probabilities: Brier, logarithmic score, area under the ROC curve, Spiegelhalter's z."""

from __future__ import annotations

import numpy as np

from examtally.analytics.calibration.forecasts import Counts
from examtally.analytics.intervals import FloatArray


def brier(counts: Counts) -> FloatArray:
    """Brier score of each resample, shape (…)."""
    return quadratic(counts, counts.values)


def quadratic(counts: Counts, probability: FloatArray) -> FloatArray:
    """Brier score after each forecast is replaced by `probability`, shape (K,) or (…, K)."""
    loss = counts.events * (1 - probability) ** 2 + counts.non_events * probability**2
    return _ratio(loss.sum(axis=-1), counts.total)


def logarithmic(counts: Counts, clip: float) -> FloatArray:
    """Logarithmic score of each resample, shape (…), forecasts kept `clip` away from 0 and 1."""
    p = np.clip(counts.values, clip, 1 - clip)
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = np.where(counts.events > 0, counts.events * -np.log(p), 0.0)
        loss += np.where(counts.non_events > 0, counts.non_events * -np.log1p(-p), 0.0)
    return _ratio(loss.sum(axis=-1), counts.total)


def auc(counts: Counts) -> FloatArray:
    """Area under the ROC curve of each resample, shape (…); NaN where a resample has one class only."""
    below = np.cumsum(counts.non_events, axis=-1) - counts.non_events / 2
    won = (counts.events * below).sum(axis=-1)
    return _ratio(won, counts.events.sum(axis=-1) * counts.non_events.sum(axis=-1))


def _ratio(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    """Divide, with NaN where the denominator is 0."""
    ratio: FloatArray = np.full(np.broadcast(numerator, denominator).shape, np.nan)
    np.divide(numerator, denominator, out=ratio, where=np.asarray(denominator) > 0)
    return ratio
