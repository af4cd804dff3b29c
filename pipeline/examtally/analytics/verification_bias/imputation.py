"""Multiple imputation of the condition of unverified knees, and Rubin's rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.intervals import BoolArray, FloatArray, t_quantile
from examtally.analytics.verification_bias.corrected import CorrectedCells, correct
from examtally.analytics.verification_bias.models import VerificationModels


@dataclass(frozen=True)
class PooledOverImputations:
    """One measure over all completed data sets; None where one of them cannot give it."""

    estimate: float
    ci_low: float
    ci_high: float
    fmi: float


def complete(
    models: VerificationModels, verified: BoolArray, present: BoolArray, imputations: int, rng: np.random.Generator
) -> BoolArray:
    """Draw the condition of every unverified knee `imputations` times: (imputations, n), verified knees as they are.

    Coefficients are drawn from their approximate posterior first, so that their uncertainty is in the draws (proper
    imputation); where plain shares stand for a model, the share of each pattern from its beta posterior with 1/2 added.

    Source: Rubin DB. Multiple Imputation for Nonresponse in Surveys. 1987, section 5.3; for verification bias Harel O,
    Zhou XH. Stat Med 2006;25:3769–3786.
    """
    chance = np.empty((imputations, verified.size))
    if models.disease is None:
        chance = _shares(models.design, verified, present, imputations, rng)
    else:
        root = np.linalg.cholesky(models.disease.covariance)
        drawn = models.disease.coefficients + rng.standard_normal((imputations, root.shape[0])) @ root.T
        chance = np.asarray(expit(drawn[:, :1] + drawn[:, 1:] @ models.design.T))
    return np.where(verified, present, rng.random(chance.shape) < chance)


def pool(tables: CorrectedCells, measure: str, level: float = 0.95) -> PooledOverImputations | None:
    """Combine one measure of the completed tables, a row each, by Rubin's rules on the logit (ratios: log) scale.

    Source: Rubin 1987, section 3.1; fraction of missing information (r + 2/(v + 3))/(r + 1), eq. 3.1.10.
    """
    found = correct(tables, measure, level)
    if not np.isfinite(found.estimate).all() or not np.isfinite(found.variance).all():
        return None
    is_share = measure in PROPORTIONS
    scaled = np.log(found.estimate / (1 - found.estimate)) if is_share else np.log(found.estimate)
    draws, centre, within = scaled.size, float(scaled.mean()), float(found.variance.mean())
    between = (1 + 1 / draws) * float(scaled.var(ddof=1))
    ratio = between / within
    freedom = (draws - 1) * (1 + 1 / ratio) ** 2 if ratio > 1e-12 else 1e12
    half = float(t_quantile(level, freedom)) * (within + between) ** 0.5
    back = expit if is_share else np.exp
    fmi = (ratio + 2 / (freedom + 3)) / (ratio + 1)
    return PooledOverImputations(float(back(centre)), float(back(centre - half)), float(back(centre + half)), fmi)


def _shares(
    design: FloatArray, verified: BoolArray, present: BoolArray, imputations: int, rng: np.random.Generator
) -> FloatArray:
    pattern: npt.NDArray[np.int64] = np.zeros(verified.size, np.int64)
    if design.shape[1]:
        pattern = np.unique(design, axis=0, return_inverse=True)[1].ravel()
    known = np.bincount(pattern, verified)
    events = np.bincount(pattern, verified & present, known.size)
    drawn = rng.beta(events + 0.5, known - events + 0.5, (imputations, known.size))
    return np.asarray(drawn[:, pattern])
