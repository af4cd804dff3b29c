"""Stated probabilities against the truth, and examiners against each other."""

from __future__ import annotations

import polars as pl

from examtally.analytics.agreement.tables import agreement_table
from examtally.analytics.bias_adjusted.calibration import bias_adjusted_calibration
from examtally.analytics.calibration.tables import CalibrationTables, calibration_tables, model_calibration_tables
from examtally.analytics.diagnostic_models.model_tables import forecasts_of
from examtally.cohort.forecasts import read_own_forecasts, read_stated
from examtally.cohort.groupings import read_examiners
from examtally.cohort.pairs import read_pairs
from examtally.results.steps import diagnostic_models as modelling
from examtally.results.steps import leading
from examtally.results.work import Work


def calibrations(work: Work) -> CalibrationTables:
    """Stated probabilities held against the reference."""
    cohort = work.cohort
    work.say("Holding stated probabilities against the truth")
    own = read_own_forecasts(cohort.con) if work.with_examiners else None
    return calibration_tables(cohort.forecasts(), work.contract, work.protocol, own)


def model_calibrations(work: Work) -> CalibrationTables:
    """What the models of history and exam forecast for people they had not seen, held against the reference."""
    forecasts = forecasts_of(work.once(modelling.models))
    work.say("Holding the models against the truth")
    return model_calibration_tables(forecasts, work.protocol)


def bias_adjusted_calibrations(work: Work) -> CalibrationTables:
    """Stated probabilities held against who has the condition, imaged or not."""
    records, models = work.once(leading.records), work.once(leading.models)
    stated = read_stated(work.cohort.con)
    examiners = read_examiners(work.cohort.con) if work.with_examiners else ()
    work.say("Holding stated probabilities against who has the condition")
    return bias_adjusted_calibration(stated, records, models, examiners, work.contract, work.protocol)


def _calibrations(work: Work) -> list[CalibrationTables]:
    """All of them; where no correction is asked for, stated probabilities against the reference alone."""
    steps = (
        (calibrations, bias_adjusted_calibrations, model_calibrations) if work.wants_corrections else (calibrations,)
    )
    return [work.once(step) for step in steps]


def calibration(work: Work) -> pl.DataFrame:
    """Measures of calibration, of examiners and of models."""
    return work.conform("calibration", pl.concat([made.calibration for made in work.once(_calibrations)]))


def calibration_curve(work: Work) -> pl.DataFrame:
    """The curves behind them."""
    return work.conform("calibration_curve", pl.concat([made.curves for made in work.once(_calibrations)]))


def exam_pairs(work: Work) -> pl.DataFrame:
    """Every pair of exams of one episode, in each group it belongs to."""
    return read_pairs(work.cohort.con, work.protocol, with_examiners=work.with_examiners)


def agreement(work: Work) -> pl.DataFrame:
    """How often two examiners agree on one knee."""
    work.say("Asking how often two examiners agree")
    pairs = work.once(exam_pairs)
    return work.conform("agreement", agreement_table(pairs, work.contract, work.protocol))
