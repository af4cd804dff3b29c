"""Reliability curves of one set of stated probabilities: isotonic with its consistency band, spline with its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.analytics.calibration.forecasts import Forecasts
from examtally.analytics.calibration.measures import Resamples
from examtally.analytics.calibration.reliability import isotonic
from examtally.analytics.calibration.resampling import percentile_limits
from examtally.analytics.intervals import FloatArray

_BIN = 0.05
_STEP = 0.02


@dataclass(frozen=True)
class Curve:
    """Points of one curve, arrays of one length; NaN where `observed`, the band or `n` has no meaning."""

    name: str
    predicted: FloatArray
    observed: FloatArray
    band_low: FloatArray
    band_high: FloatArray
    n: FloatArray


def isotonic_curve(resamples: Resamples) -> Curve:
    """Isotonic share of events at each stated probability, taken to the nearest 0.01, with the forecasts there.

    The band is a consistency band: where the curve would lie, point by point, if every stated probability were right
    (Dimitriadis, Gneiting & Jordan 2021).
    """
    counts, calibrated = resamples.counts, resamples.calibrated
    points, starts = np.unique(np.round(counts.values, 2), return_index=True)
    n = np.add.reduceat(counts.trials, starts)
    fit = np.add.reduceat(isotonic(counts) * counts.trials, starts) / n
    redrawn = np.add.reduceat(isotonic(calibrated) * counts.trials, starts, axis=1) / n
    tail = (1 - resamples.how.level) / 2
    low, high = np.quantile(redrawn, [tail, 1 - tail], axis=0)
    return Curve("isotonic", points, fit, low, high, n)


def spline_curve(resamples: Resamples) -> Curve | None:
    """Smooth curve over the range of the forecasts, with a pointwise confidence band from resampling participants.

    None where every forecast is the same number.
    """
    basis, smooth = resamples.basis, resamples.smooth
    if basis is None or smooth is None:
        return None
    first, last = resamples.counts.values[[0, -1]]
    inner = np.round(np.arange(np.ceil(first / _STEP), np.floor(last / _STEP) + 1) * _STEP, 2)
    points = np.unique(np.concatenate([[first], inner, [last]]))
    fit = basis.curve(basis.fit(resamples.counts), points)
    redrawn = basis.curve(smooth, points)
    low, high = percentile_limits(redrawn, resamples.how.level, resamples.forecasts.participants)
    return Curve("spline", points, fit, low, high, np.full(points.size, np.nan))


def forecast_counts(forecasts: Forecasts) -> Curve:
    """How many forecasts lie in each bin of width 0.05 centred on 0, 0.05, … 1; empty bins are left out."""
    centres, n = np.unique(bins(forecasts.probability), return_counts=True)
    nothing = np.full(centres.size, np.nan)
    return Curve("counts", centres, nothing, nothing, nothing, n.astype(np.float64))


def bins(probability: FloatArray) -> FloatArray:
    """The centre of the bin of each probability, a multiple of 0.05.

    A forecast midway between two centres goes to the even multiple, so that p and 1 − p are binned alike.
    """
    return np.asarray(np.round(np.round(np.round(probability / _BIN, 9)) * _BIN, 2))
