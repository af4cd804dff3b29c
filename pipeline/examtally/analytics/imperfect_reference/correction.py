"""Accuracy when the reference errs: closed form under an assumed accuracy of the reference, and where it breaks.

Tables stand in the order tp, fp, fn, tn of finding against the erring reference; cells need not be whole. In them every
corrected measure is a ratio of two linear forms, so that its variance is a quadratic form in the products of the cells.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import expit, logit

from examtally.analytics.intervals import BoolArray, FloatArray, Interval, normal_quantile

PROPORTIONS = ("sensitivity", "specificity", "prevalence", "ppv", "npv")
STATEMENTS = (("lr_positive", "doubles_odds", 2.0), ("lr_negative", "halves_odds", 0.5))
_SLACK = 1e-9  # rounding allowed beyond 0 and 1
_MOST_LOG = 50.0  # half-width on the logarithm beyond which a limit says nothing


@dataclass(frozen=True)
class Reference:
    """Assumed accuracy of the reference, and covariance of its errors with those of the finding, each (rows,) or one.

    `covariance_present` is P(T+, R+ | present) - P(T+ | present) P(R+ | present), `covariance_absent` likewise for
    P(T-, R-) among the absent; 0 is conditional independence. ValueError where an accuracy is outside 0–1 or
    sensitivity and specificity add up to 1 or less.
    """

    sensitivity: npt.ArrayLike
    specificity: npt.ArrayLike
    covariance_present: npt.ArrayLike = 0.0
    covariance_absent: npt.ArrayLike = 0.0

    def __post_init__(self) -> None:
        alpha, beta = np.asarray(self.sensitivity, np.float64), np.asarray(self.specificity, np.float64)
        if not (((alpha >= 0) & (alpha <= 1)).all() and ((beta >= 0) & (beta <= 1)).all()):
            raise ValueError("reference: sensitivity and specificity are proportions from 0 to 1")
        if not (alpha + beta > 1).all():
            raise ValueError("reference: sensitivity and specificity must add up to more than 1")


@dataclass(frozen=True)
class ReferenceCorrected:
    """Corrected measures by name, (rows,) each, as the formula gives them, also outside 0–1; NaN for 0/0.

    `compatible` tells whether the assumed reference could have made the table: prevalence, sensitivity and specificity
    inside 0–1, and no negative probability of a joint result. `limits` are NaN where it could not.
    """

    estimates: Mapping[str, FloatArray]
    limits: Mapping[str, Interval]
    standard_errors: Mapping[str, FloatArray]
    compatible: BoolArray


def correct_for_reference(
    cells: npt.ArrayLike, reference: Reference, covariance: npt.ArrayLike | None = None, *, level: float = 0.95
) -> ReferenceCorrected:
    """Correct sensitivity, specificity, prevalence, predictive values and likelihood ratios for an erring reference.

    `cells` (rows, 4) or (4,) are tp, fp, fn, tn against the reference, ValueError where negative or not finite;
    `covariance` (rows, 4, 4) is their covariance, that of independent knees where None. Limits: delta method on the
    logit (ratios: log) scale, the accuracy of the reference held fixed; NaN for an estimate not strictly inside its
    range.

    Source: Gart JJ, Buck AA. Am J Epidemiol 1966;83:593–602; Staquet M et al. J Chronic Dis 1981;34:599–610; errors
    that go together: Vacek PM. Biometrics 1985;41:959–968.
    """
    table = np.atleast_2d(np.asarray(cells, dtype=np.float64))
    if table.shape[1] != 4 or not np.isfinite(table).all() or (table < 0).any():
        raise ValueError("cells: tp, fp, fn, tn, none of them negative or missing")
    spread = table[:, :, None] * np.eye(4) if covariance is None else np.asarray(covariance).reshape(-1, 4, 4)
    forms = _forms(reference, table.shape[0])
    z = normal_quantile(level)
    estimates, errors, limits, slopes = {}, {}, {}, {}
    compatible = _compatible(table, reference)
    for name in PROPORTIONS:
        over, under = (np.einsum("ri,ri->r", form, table) for form in forms[name])
        with np.errstate(divide="ignore", invalid="ignore"):
            value = np.where(under != 0, over / under, np.nan)
            slopes[name] = (forms[name][0] - value[:, None] * forms[name][1]) / under[:, None]
            errors[name] = _root(slopes[name], spread)
            half = z * errors[name] / (value * (1 - value))
            centre = logit(np.where((value > 0) & (value < 1) & compatible, value, np.nan))
        estimates[name], limits[name] = value, Interval(expit(centre - half), expit(centre + half))
    sensitivity, specificity = estimates["sensitivity"], estimates["specificity"]
    for name, (up, down, sign) in {
        "lr_positive": (sensitivity, 1 - specificity, 1.0),
        "lr_negative": (1 - sensitivity, specificity, -1.0),
    }.items():
        with np.errstate(divide="ignore", invalid="ignore"):
            usable = compatible & (up > _SLACK) & (down > _SLACK)
            value = np.where(usable, up / down, np.nan)
            slope = sign * (slopes["sensitivity"] / up[:, None] + slopes["specificity"] / down[:, None])
            error = _root(slope, spread)
        estimates[name], errors[name] = value, value * error
        half = np.where(z * error < _MOST_LOG, z * error, np.nan)
        limits[name] = Interval(value * np.exp(-half), value * np.exp(half))
    return ReferenceCorrected(estimates, limits, errors, compatible)


def largest_covariance(first: npt.ArrayLike, second: npt.ArrayLike) -> FloatArray:
    """Largest covariance of two results that are right with these probabilities in people of one kind.

    Source: Vacek 1985, section 2; min(a, b) - ab.
    """
    one, two = np.asarray(first, np.float64), np.asarray(second, np.float64)
    return np.asarray(np.minimum(one, two) - one * two)


def tipping_point(
    value: Callable[[FloatArray], FloatArray], threshold: float, start: float, low: float, high: float
) -> float | None:
    """Return where, going out from `start` to `low` and `high`, `value` first crosses `threshold`; None if nowhere.

    `value` takes parameters (k,) and returns a figure for each, NaN where there is none; a gap is not a crossing.
    """
    grid = np.union1d(np.linspace(low, high, 501), [start])
    over = value(grid) - threshold
    crossing = np.nonzero(np.isfinite(over[1:] + over[:-1]) & ((over[1:] > 0) != (over[:-1] > 0)))[0]
    if not crossing.size:
        return None
    nearest = crossing[np.argmin(np.maximum(grid[crossing] - start, start - grid[crossing + 1]))]
    ends = float(grid[nearest]), float(grid[nearest + 1])
    return float(brentq(lambda x: float(value(np.array([x]))[0] - threshold), *ends, xtol=1e-10))


def tipping_note(where: str, holds: bool, at: float | None) -> str:
    """Whether a statement holds `where` it was looked at first, and whether it changes at `at`."""
    first = f"Holds {where}" if holds else f"Does not hold {where}"
    return f"{first}; {'nothing in the range searched changes that.' if at is None else 'changes at this value.'}"


def _forms(reference: Reference, rows: int) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Numerator and denominator of each measure as weights of the four cells, (rows, 4)."""
    alpha, beta, present, absent = _parameters(reference, rows)
    everyone = np.ones((rows, 4))
    youden = alpha + beta - 1
    positive, by_reference, both = (np.array(x, np.float64) for x in ((1, 1, 0, 0), (1, 0, 1, 0), (1, 0, 0, 0)))
    with_condition = (by_reference - (1 - beta) * everyone) / youden
    without = everyone - with_condition
    true_positive = (both - (1 - beta) * positive - present * with_condition - absent * without) / youden
    true_negative = without - (positive - true_positive)
    every_positive, every_negative = positive * everyone, (1 - positive) * everyone
    return {
        "sensitivity": (true_positive, with_condition),
        "specificity": (true_negative, without),
        "prevalence": (with_condition, everyone),
        "ppv": (true_positive, every_positive),
        "npv": (true_negative, every_negative),
    }


def _compatible(table: FloatArray, reference: Reference) -> BoolArray:
    forms = _forms(reference, table.shape[0])
    alpha, beta, present, absent = _parameters(reference, table.shape[0])
    with np.errstate(divide="ignore", invalid="ignore"):
        share, found, clear = (
            ((forms[name][0] * table).sum(axis=1) / (forms[name][1] * table).sum(axis=1))[:, None]
            for name in ("prevalence", "sensitivity", "specificity")
        )
    parts = [share, 1 - share]
    for right, of_reference, covariance in ((found, alpha, present), (clear, beta, absent)):
        parts += [
            right * of_reference + covariance,
            right * (1 - of_reference) - covariance,
            (1 - right) * of_reference - covariance,
            (1 - right) * (1 - of_reference) + covariance,
        ]
    return np.asarray((np.concatenate(parts, axis=1) >= -_SLACK).all(axis=1))


def _parameters(reference: Reference, rows: int) -> tuple[FloatArray, ...]:
    given = (
        *(reference.sensitivity, reference.specificity),
        *(reference.covariance_present, reference.covariance_absent),
    )
    return tuple(np.broadcast_to(np.asarray(each, np.float64), (rows,))[:, None] for each in given)


def _root(slope: FloatArray, spread: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(np.maximum(np.einsum("ri,rij,rj->r", slope, spread, slope), 0.0)))


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
