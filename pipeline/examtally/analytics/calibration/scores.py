"""Scores of stated probabilities: Brier, logarithmic score, area under the ROC curve, Spiegelhalter's z."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from examtally.analytics.calibration.forecasts import Counts, Forecasts
from examtally.analytics.intervals import FloatArray


def brier_score(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """Mean squared distance of the stated probability from the outcome; 0 is perfect, 0.25 is a constant one half.

    `probability` (n,) in 0–1, `outcome` (n,) 0 or 1, no missing values (ValueError). NaN for no rows.
    Brier GW. Mon Weather Rev 1950;78:1–3, for the two-category case.

    >>> round(brier_score([0.9, 0.8, 0.3, 0.1, 0.6], [1, 1, 0, 0, 0]), 12)
    0.102
    """
    return float(brier(Forecasts.of(probability, outcome).counts))


def log_score(probability: npt.ArrayLike, outcome: npt.ArrayLike, *, clip: float = 0.0) -> float:
    """Mean negative natural logarithm of the probability given to what happened; lower is better.

    Arguments as in `brier_score`; probabilities nearer than `clip` to 0 or 1 are moved to it. Infinite where an outcome
    was called impossible and `clip` is 0. Good IJ. J R Stat Soc B 1952;14:107–114.
    """
    return float(logarithmic(Forecasts.of(probability, outcome).counts, clip))


def area_under_curve(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """Chance that a row with the event was given a higher probability than one without it, ties counting half.

    Arguments as in `brier_score`. NaN where every outcome is the same. Never turned round where it lies below 0.5.
    Hanley JA, McNeil BJ. Radiology 1982;143:29–36.
    """
    return float(auc(Forecasts.of(probability, outcome).counts))


def spiegelhalter_z(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """Standard normal under perfect calibration and independent rows; forecasts of one half contribute nothing.

    Arguments as in `brier_score`. NaN where the variance is 0 (forecasts of 0, 0.5 and 1 only).
    Spiegelhalter DJ. Stat Med 1986;5:421–433: Σ(y − p)(1 − 2p) / √Σ(1 − 2p)² p(1 − p).

    >>> round(spiegelhalter_z([0.9, 0.8, 0.3, 0.1, 0.6], [1, 1, 0, 0, 0]), 6)
    -0.602464
    """
    forecasts = Forecasts.of(probability, outcome)
    p, y = forecasts.probability, forecasts.outcome
    variance = float(((1 - 2 * p) ** 2 * p * (1 - p)).sum())
    return float(((y - p) * (1 - 2 * p)).sum() / np.sqrt(variance)) if variance > 0 else float("nan")


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
