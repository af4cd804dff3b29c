"""Correction for a reference whose accuracy was itself estimated: its uncertainty widens the limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from examtally.analytics.intervals import FloatArray, Interval, normal_quantile
from examtally.analytics.reference_error import PROPORTIONS, Reference, ReferenceCorrected, correct_for_reference

_STEP = 1e-4


def correct_for_uncertain_reference(
    cells: npt.ArrayLike,
    sensitivity: float,
    specificity: float,
    covariance_of_logits: npt.ArrayLike,
    covariance: npt.ArrayLike | None = None,
    *,
    level: float = 0.95,
) -> ReferenceCorrected:
    """Correct one table as `correct_for_reference` does, with limits that also hold the reference's own uncertainty.

    `cells` (4,) are tp, fp, fn, tn, `covariance` (4, 4) theirs, that of independent knees where None;
    `covariance_of_logits` (2, 2) is that of the logits of the reference's sensitivity and specificity, which are
    strictly between 0 and 1. Both sources of error are taken as independent. ValueError as there.

    Source: delta method; slopes by central differences on the logits of the reference's accuracy.
    """
    spread = np.asarray(covariance_of_logits, dtype=np.float64)
    table = np.asarray(cells, dtype=np.float64)
    found = correct_for_reference(table, Reference(sensitivity, specificity), covariance, level=level)
    centre = logit(np.array([sensitivity, specificity]))
    moved = expit(centre + _STEP * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]]))
    nearby = correct_for_reference(np.tile(table, (4, 1)), Reference(*moved.T))
    z = normal_quantile(level)
    limits = {}
    for name, estimate in found.estimates.items():
        is_share = name in PROPORTIONS
        with np.errstate(divide="ignore", invalid="ignore"):
            scaled = _scaled(nearby.estimates[name], is_share)
            slope = (scaled[0::2] - scaled[1::2]) / (2 * _STEP)
            size = estimate * (1 - estimate) if is_share else estimate
            own = found.standard_errors[name] / size
            half = z * np.sqrt(own**2 + slope @ spread @ slope)
            middle = _scaled(estimate, is_share)
        back = expit if is_share else np.exp
        usable = np.isfinite(found.limits[name].low)
        limits[name] = Interval(
            np.where(usable, back(middle - half), np.nan), np.where(usable, back(middle + half), np.nan)
        )
    return replace(found, limits=limits)


def _scaled(values: FloatArray, is_share: bool) -> FloatArray:
    """Logit of a share, logarithm of a ratio; NaN outside its range."""
    inside = (values > 0) & (values < 1) if is_share else values > 0
    kept = np.where(inside, values, np.nan)
    return np.asarray(logit(kept) if is_share else np.log(kept))
