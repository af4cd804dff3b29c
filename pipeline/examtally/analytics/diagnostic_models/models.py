"""The two models of one condition, history alone and history with maneuvers, and how each does on unseen people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.diagnostic_models.crossfit import CrossFit, OutOfFold, deal, fit_chosen, out_of_fold
from examtally.analytics.diagnostic_models.optimism import Optimism, optimism
from examtally.analytics.diagnostic_models.predictors import Predictors
from examtally.analytics.intervals import FloatArray, normal_quantile
from examtally.analytics.logistic import Logistic
from examtally.contracts.protocol.models import Modelling
from examtally.processes import one_thread


@dataclass(frozen=True)
class Coefficient:
    """One term: log odds ratio given the others, drawn towards 0 by the penalty, and limits of the odds ratio."""

    value: float
    ratio: float
    ci_low: float | None
    ci_high: float | None


def coefficients(
    model: Logistic, design: npt.ArrayLike, outcome: npt.ArrayLike, participant: npt.ArrayLike, level: float = 0.95
) -> tuple[Coefficient, ...]:
    """Coefficients of `model` without its intercept, limits from the sandwich summed over people, m/(m-1).

    `design` (n, k), `outcome` (n,) and `participant` (n,) are those of the fit. The limits are about the penalised
    coefficient: they do not undo the drawing towards 0. None with fewer than two people or for a constant column.

    >>> from examtally.analytics.logistic import fit_logistic
    >>> x, y = np.tile([[0.0], [1.0]], (20, 1)), np.tile([0, 1, 1, 1], 10)
    >>> (one,) = coefficients(fit_logistic(x, y, penalty=0.01), x, y, np.arange(40))
    >>> one.ci_low < one.ratio < one.ci_high
    True

    Source: Liang KY, Zeger SL. Biometrika 1986;73:13-22 (robust variance).
    """
    x, y = np.asarray(design, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    who = np.unique(np.asarray(participant), return_inverse=True)[1]
    people = int(who.max(initial=-1)) + 1
    known = np.column_stack([np.ones(y.size), np.where(np.ptp(x, axis=0) > 0, x, 0.0)])
    scores = known * (y - model.probability(x))[:, None]
    summed = np.zeros((people, known.shape[1]))
    np.add.at(summed, who, scores)
    bread = model.covariance
    spread = np.sqrt(np.maximum(np.diag(bread @ (summed.T @ summed) @ bread), 0.0))
    half = normal_quantile(level) * spread * np.sqrt(people / (people - 1)) if people > 1 else np.zeros(spread.size)
    return tuple(_one(value, width) for value, width in zip(model.coefficients[1:], half[1:], strict=True))


def _one(value: float, half: float) -> Coefficient:
    ratio: FloatArray = np.exp(np.array([value, value - half, value + half]))
    if not half > 0:
        return Coefficient(float(value), float(ratio[0]), None, None)
    return Coefficient(float(value), float(ratio[0]), float(ratio[1]), float(ratio[2]))


HISTORY, EXAM = "model_history", "model_exam"


@dataclass(frozen=True)
class DiagnosticModel:
    """One model: the fit on all knees, its terms and coefficients, forecasts out of fold, and its optimism."""

    name: str
    terms: tuple[str, ...]
    fit: Logistic
    coefficients: tuple[Coefficient, ...]
    forecast: OutOfFold
    optimism: Optimism


def diagnostic_models(
    knees: Predictors, how: Modelling, condition: str, level: float = 0.95
) -> tuple[DiagnosticModel, DiagnosticModel]:
    """Fit both models on the same knees and the same parts, with a seed of its own for each condition."""
    seed = (how.seed, *condition.encode())
    part = deal(knees.participant, knees.present, how.folds, np.random.default_rng(seed))
    told = (HISTORY, knees.history, knees.history_terms)
    found = (EXAM, knees.exam, knees.exam_terms)
    with one_thread():
        first, second = (_model(*columns, knees, how, seed, part, level) for columns in (told, found))
    return first, second


def _model(
    name: str,
    design: FloatArray,
    terms: tuple[str, ...],
    knees: Predictors,
    how: Modelling,
    seed: tuple[int, ...],
    part: np.ndarray,
    level: float,
) -> DiagnosticModel:
    seed = (*seed, *name.encode())
    cross = CrossFit(how.folds, how.inner_folds, how.penalties, seed)
    y = knees.present.astype(np.float64)
    fit = fit_chosen(design, y, knees.participant, cross, np.random.default_rng(seed))
    return DiagnosticModel(
        name=name,
        terms=terms,
        fit=fit,
        coefficients=coefficients(fit, design, y, knees.participant, level),
        forecast=out_of_fold(design, y, knees.participant, cross, part=part, model=fit),
        optimism=optimism(design, y, knees.participant, penalty=fit.penalty, draws=how.bootstrap, seed=seed, model=fit),
    )
