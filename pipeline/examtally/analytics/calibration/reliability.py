"""CORP reliability: the isotonic recalibration of stated probabilities and the three parts of the Brier score.

Dimitriadis T, Gneiting T, Jordan AI. Stable reliability diagrams for probabilistic classifiers.
Proc Natl Acad Sci USA 2021;118:e2016191118.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from sklearn.isotonic import isotonic_regression

from examtally.analytics.calibration.forecasts import Counts
from examtally.analytics.calibration.scores import brier, quadratic
from examtally.analytics.intervals import FloatArray


def decompose(counts: Counts) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Brier score, miscalibration, discrimination and uncertainty of each resample, shapes (…)."""
    stated = brier(counts)
    recalibrated = quadratic(counts, isotonic(counts))
    share = counts.events.sum(axis=-1) / counts.total
    uncertainty = share * (1 - share)
    return stated, stated - recalibrated, uncertainty - recalibrated, uncertainty


def isotonic(counts: Counts) -> FloatArray:
    """Share of events as a rising function of the forecast: least squares fit, shape (…, K).

    A value with no row in a resample takes the fit of the nearest value below it that has one, else of the nearest
    above. All resamples are solved in one pass of the pool-adjacent-violators algorithm: set end to end, each lifted
    by 2, no pooling crosses from one to the next, as shares lie within 0 and 1.
    """
    shape = counts.trials.shape
    trials = counts.trials.reshape(-1, shape[-1])
    events = counts.events.reshape(-1, shape[-1])
    seen = trials > 0
    lift = 2.0 * np.nonzero(seen)[0]
    fit = isotonic_regression(events[seen] / trials[seen] + lift, sample_weight=trials[seen]) - lift
    filled = np.full(trials.shape, np.nan)
    filled[seen] = fit
    return _carried(filled, seen).reshape(shape)


def _carried(fit: FloatArray, seen: npt.NDArray[np.bool_]) -> FloatArray:
    """Fill the unseen values of each row from below, those before the first seen one from above."""
    if seen.all():
        return fit
    columns = np.arange(fit.shape[1])
    source = np.maximum.accumulate(np.where(seen, columns, -1), axis=1)
    source = np.where(source < 0, seen.argmax(axis=1)[:, None], source)
    return np.take_along_axis(fit, source, axis=1)
