"""The two models of one condition, history alone and history with maneuvers, and how each does on unseen people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.analytics.intervals import FloatArray
from examtally.analytics.together.crossfit import CrossFit, OutOfFold, choose_penalty, out_of_fold
from examtally.analytics.together.folds import deal
from examtally.analytics.together.optimism import Optimism, optimism
from examtally.analytics.together.predictors import Predictors
from examtally.analytics.together.ridge import Ridge, fit_ridge, one_thread
from examtally.analytics.together.terms_of_model import Coefficient, coefficients
from examtally.contracts.protocol_modelling import Modelling

HISTORY, EXAM = "model_history", "model_exam"


@dataclass(frozen=True)
class DiagnosticModel:
    """One model: the fit on all knees, its terms and coefficients, forecasts out of fold, and its optimism."""

    name: str
    terms: tuple[str, ...]
    fit: Ridge
    penalty: float
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
    penalty = choose_penalty(design, y, knees.participant, cross, np.random.default_rng(seed))
    fit = fit_ridge(design, y, penalty=penalty)
    return DiagnosticModel(
        name=name,
        terms=terms,
        fit=fit,
        penalty=penalty,
        coefficients=coefficients(fit, design, y, knees.participant, level),
        forecast=out_of_fold(design, y, knees.participant, cross, part=part),
        optimism=optimism(design, y, knees.participant, penalty=penalty, draws=how.bootstrap, seed=seed, model=fit),
    )
