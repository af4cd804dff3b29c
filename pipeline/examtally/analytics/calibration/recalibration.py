"""Logistic recalibration of stated probabilities: in the large, and by slope; of one set, or of many resamples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM

from examtally.analytics.calibration.forecasts import Counts
from examtally.analytics.intervals import FloatArray
from examtally.analytics.logistic import fit_each

_TOLERANCE = 1e-12


def recalibrate(counts: Counts, x: FloatArray) -> tuple[float, float]:
    """Calibration in the large and calibration slope of one set of forecasts with log-odds `x` (K,).

    In the large is the intercept with the slope fixed at 1 (0 is ideal, log-odds); the slope comes from the model that
    frees both (1 is ideal, below 1 the forecasts are too extreme). Both outcomes must be there, and the forecasts must
    not separate them (`separation`).

    Source: Cox DR. Biometrika 1958;45:562–565.
    """
    if x.size <= 2:  # a fit that leaves no residuals is to statsmodels one of separated outcomes, and it divides by 0
        return float(calibration_in_the_large(counts, x)), float(joint_model(counts, x)[1])
    shares = np.column_stack([counts.events, counts.non_events])
    large = GLM(shares, np.ones_like(x), family=Binomial(), offset=x).fit(tol=_TOLERANCE)
    joint = GLM(shares, np.column_stack([np.ones_like(x), x]), family=Binomial()).fit(tol=_TOLERANCE)
    return float(large.params[0]), float(joint.params[1])


def logit(probability: FloatArray, clip: float) -> FloatArray:
    """Log-odds of probabilities kept `clip` away from 0 and 1."""
    p = np.clip(probability, clip, 1 - clip)
    return np.asarray(np.log(p) - np.log1p(-p))


def calibration_in_the_large(counts: Counts, x: FloatArray) -> FloatArray:
    """Intercept of each resample with the slope on `x` (K,) fixed at 1, shape (…); infinite with one class only."""
    fit = fit_each(counts.trials, counts.events, np.ones((x.size, 1)), offset=x)[..., 0]
    events, total = counts.events.sum(axis=-1), counts.total
    return np.where(events <= 0, -np.inf, np.where(events >= total, np.inf, fit))


def joint_model(counts: Counts, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Intercept and slope on `x` (K,) of each resample, shapes (…).

    Where the forecasts separate the outcomes the slope is ∞ (−∞ if the wrong way round) and the intercept NaN;
    both are NaN where a resample has one class or one forecast only.
    """
    fit = fit_each(counts.trials, counts.events, np.column_stack([np.ones_like(x), x]))
    direction = separation(counts, x)
    slope = np.select([direction == 0, direction > 0, direction < 0], [fit[..., 1], np.inf, -np.inf], np.nan)
    return np.where(direction == 0, fit[..., 0], np.nan), slope


def separation(counts: Counts, x: FloatArray) -> FloatArray:
    """1 where every event of a resample lies at or above every non-event, −1 where at or below, 0 where they overlap.

    NaN where a resample has one class or all of its rows at one `x`. Shape (…).
    """
    with_event, without = counts.events > 0, counts.non_events > 0
    low_event, high_event = _reach(x, with_event)
    low_other, high_other = _reach(x, without)
    rising, falling = high_other <= low_event, high_event <= low_other
    undefined = ~with_event.any(axis=-1) | ~without.any(axis=-1) | (rising & falling)
    return np.where(undefined, np.nan, rising.astype(np.float64) - falling)


def _reach(x: FloatArray, where: npt.NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Smallest and largest `x` among the marked values of each resample."""
    low = np.where(where, x, np.inf).min(axis=-1)
    high = np.where(where, x, -np.inf).max(axis=-1)
    return np.asarray(low), np.asarray(high)
