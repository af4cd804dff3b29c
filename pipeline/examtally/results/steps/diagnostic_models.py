"""Several maneuvers together, and what they add to the history."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import polars as pl

from examtally.analytics.bias_adjusted.deciding import with_bias_adjusted_curves
from examtally.analytics.bias_adjusted.together import with_bias_adjusted_combinations
from examtally.analytics.diagnostic_models.condition_models import ConditionModels, condition_models
from examtally.analytics.diagnostic_models.model_tables import (
    added_value_table,
    decision_curve_table,
    diagnostic_models_table,
    model_terms_table,
)
from examtally.analytics.diagnostic_models.short_table import short_exam_table
from examtally.analytics.test_combinations.joint_tables import (
    combinations_table,
    dependence_table,
    patterns_table,
    settled_conditions,
)
from examtally.cohort.diagnostic_frame import read_diagnostic_frame
from examtally.processes import one_thread
from examtally.results.steps import leading
from examtally.results.work import Work

_AT_ONCE = 2


def diagnostic_frame(work: Work) -> pl.DataFrame:
    """One row per exam whose answer is known, with what was told and found."""
    cohort = work.cohort
    return read_diagnostic_frame(cohort.con, work.contract, work.protocol)


def combinations(work: Work) -> pl.DataFrame:
    """Several maneuvers as one test."""
    frame = work.once(diagnostic_frame)
    work.say("Counting maneuvers together")
    seen = combinations_table(frame, work.contract, work.protocol)
    return with_bias_adjusted_combinations(seen, work.once(leading.models), work.contract, work.protocol)


def dependence(work: Work) -> pl.DataFrame:
    """Do two findings go together."""
    return dependence_table(work.once(diagnostic_frame), work.contract, work.protocol)


def patterns(work: Work) -> pl.DataFrame:
    """What a pattern of findings is worth."""
    return patterns_table(work.once(diagnostic_frame), work.contract, work.protocol)


def models(work: Work) -> tuple[ConditionModels, ...]:
    """The models of every condition that something settles, two at a time, each with linear algebra on one thread."""
    frame, contract, protocol = work.once(diagnostic_frame), work.contract, work.protocol
    fitted = []
    with one_thread(), ThreadPoolExecutor(_AT_ONCE) as pool:
        begun = [
            (contract.catalogue.conditions[code].name, pool.submit(condition_models, frame, code, contract, protocol))
            for code in settled_conditions(contract, protocol)
        ]
        for name, made in begun:
            work.say(f"Asking what the exam adds to the history: {name}")
            fitted.append(made.result())
    return tuple(fitted)


def diagnostic_models(work: Work) -> pl.DataFrame:
    """How good the models are."""
    return diagnostic_models_table(work.once(models), work.protocol)


def model_terms(work: Work) -> pl.DataFrame:
    """What each answer and finding does in them."""
    return model_terms_table(work.once(models), work.protocol)


def added_value(work: Work) -> pl.DataFrame:
    """What the exam adds to the history."""
    return added_value_table(work.once(models), work.once(diagnostic_frame), work.contract, work.protocol)


def short_exam(work: Work) -> pl.DataFrame:
    """Which few maneuvers say most."""
    fitted = work.once(models)
    return short_exam_table(fitted, work.once(diagnostic_frame), work.contract, work.protocol, work.say)


def decision_curve(work: Work) -> pl.DataFrame:
    """Whom to image, by history and exam."""
    fitted = work.once(models)
    seen = decision_curve_table(fitted, work.protocol)
    eligible = read_diagnostic_frame(work.cohort.con, work.contract, work.protocol, with_unknown=True)
    records, status = work.once(leading.records), work.once(leading.models)
    return with_bias_adjusted_curves(seen, fitted, eligible, records, status, work.contract, work.protocol)
