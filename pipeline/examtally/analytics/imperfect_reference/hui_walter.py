"""Two tests in two populations and no reference, by maximum likelihood."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import expit, logit, xlogy
from scipy.stats import chi2_contingency

from examtally.analytics.intervals import FloatArray, normal_quantile

PARAMETERS = (
    *("sensitivity_1", "specificity_1", "sensitivity_2", "specificity_2"),
    *("prevalence_1", "prevalence_2"),
)
_FIRST = np.array([1.0, 1.0, 0.0, 0.0])
_SECOND = np.array([1.0, 0.0, 1.0, 0.0])
_STARTS = ((0.9, 0.9, 0.9, 0.9), (0.7, 0.95, 0.9, 0.8), (0.9, 0.8, 0.7, 0.95))
_EDGE = 1e-4


@dataclass(frozen=True)
class HuiWalter:
    """Estimates of PARAMETERS by name, standard errors and limits (logit scale), None where they cannot be given.

    With six parameters and six free counts nothing is left over to test the fit; `note` says so, or why there is none.
    """

    estimate: Mapping[str, float] | None
    se: Mapping[str, float] | None
    ci_low: Mapping[str, float] | None
    ci_high: Mapping[str, float] | None
    neg_loglik: float | None
    note: str


def hui_walter(first: npt.ArrayLike, second: npt.ArrayLike, *, level: float = 0.95) -> HuiWalter:
    """Estimate the accuracy of two tests and two prevalences, tests alike in both and independent given the condition.

    `first` and `second` (4,) are the knees of each population with both tests positive, the first only, the second
    only, neither; ValueError where negative or all 0. Of the two mirror images that fit equally well the one with
    Se + Sp > 1 for both tests is given. None where there is no such solution or where the populations could be the
    same; an estimate on the edge is given without limits.

    Source: Hui SL, Walter SD. Biometrics 1980;36:167–171, section 2.
    """
    counts = np.array([np.asarray(each, dtype=np.float64) for each in (first, second)])
    if counts.shape != (2, 4) or not np.isfinite(counts).all() or (counts < 0).any() or (counts.sum(axis=1) == 0).any():
        raise ValueError("counts: both positive, first only, second only, neither, for each of two populations")
    if _alike(counts, level):
        return _none("The two populations do not differ enough in prevalence to tell the tests apart.")
    found, value = _maximum(counts)
    if found[0] + found[1] <= 1 and found[2] + found[3] <= 1:
        found = 1 - found[[1, 0, 3, 2, 4, 5]]
    if found[0] + found[1] <= 1 or found[2] + found[3] <= 1:
        return _none("No solution in which both tests tell more than chance.")
    estimate = _named(found)
    if ((found < _EDGE) | (found > 1 - _EDGE)).any():
        return HuiWalter(estimate, None, None, None, value, "An estimate lies on the edge: no limits can be given.")
    slope = _slopes(found)
    information = np.einsum("pki,pkj,pk->ij", slope, slope, counts.sum(axis=1)[:, None] / _cells(found))
    error = np.sqrt(np.diag(np.linalg.inv(information)))
    half = normal_quantile(level) * error / (found * (1 - found))
    return HuiWalter(
        *(estimate, _named(error), _named(expit(logit(found) - half)), _named(expit(logit(found) + half)), value),
        "As many parameters as free counts: the fit is exact, and the assumptions cannot be tested.",
    )


def _maximum(counts: FloatArray) -> tuple[FloatArray, float]:
    agree = np.clip(counts[:, 0] / counts.sum(axis=1), 0.02, 0.98)
    fits = [
        minimize(_loss, logit([*start, *agree]), (counts,), jac=True, method="BFGS", options={"gtol": 1e-7})
        for start in _STARTS
    ]
    best = min(fits, key=lambda fit: float(fit.fun))
    return np.asarray(expit(best.x)), float(best.fun)


def _loss(at: FloatArray, counts: FloatArray) -> tuple[float, FloatArray]:
    found = np.clip(expit(at), 1e-12, 1 - 1e-12)
    cells = _cells(found)
    gradient = -np.einsum("pk,pki->i", counts / cells, _slopes(found)) * found * (1 - found)
    return -float(xlogy(counts, cells).sum()), gradient


def _parts(found: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Probability of each cell's result of either test, with the condition and without, (4,) each."""
    se_1, sp_1, se_2, sp_2 = found[:4]
    return (
        np.where(_FIRST > 0, se_1, 1 - se_1),
        np.where(_SECOND > 0, se_2, 1 - se_2),
        np.where(_FIRST > 0, 1 - sp_1, sp_1),
        np.where(_SECOND > 0, 1 - sp_2, sp_2),
    )


def _cells(found: FloatArray) -> FloatArray:
    """Probabilities of the cells in both populations, (2, 4)."""
    ill_1, ill_2, well_1, well_2 = _parts(found)
    share = found[4:, None]
    return np.asarray(share * ill_1 * ill_2 + (1 - share) * well_1 * well_2)


def _slopes(found: FloatArray) -> FloatArray:
    """Derivatives of the cells by PARAMETERS, (2, 4, 6)."""
    ill_1, ill_2, well_1, well_2 = _parts(found)
    share, one, two = found[4:, None], 2 * _FIRST - 1, 2 * _SECOND - 1
    slope = np.zeros((2, 4, 6))
    slope[..., 0], slope[..., 1] = share * one * ill_2, -(1 - share) * one * well_2
    slope[..., 2], slope[..., 3] = share * two * ill_1, -(1 - share) * two * well_1
    for population in (0, 1):
        slope[population, :, 4 + population] = ill_1 * ill_2 - well_1 * well_2
    return slope


def _alike(counts: FloatArray, level: float) -> bool:
    """Whether the cells of the two populations could be the same: then so could their prevalences."""
    seen = counts[:, counts.sum(axis=0) > 0]
    return seen.shape[1] < 2 or bool(chi2_contingency(seen).pvalue > 1 - level)


def _named(values: FloatArray) -> dict[str, float]:
    return dict(zip(PARAMETERS, map(float, values), strict=True))


def _none(note: str) -> HuiWalter:
    return HuiWalter(None, None, None, None, None, note)
