"""Stated probabilities against the truth, and examiners against each other."""

from __future__ import annotations

import polars as pl

from examtally.analytics.agreement import agreement_table
from examtally.analytics.calibration import CalibrationTables, calibration_tables
from examtally.cohort.pairs import read_pairs
from examtally.results.work import Work


def calibrations(work: Work) -> CalibrationTables:
    """Stated probabilities held against the reference."""
    cohort = work.cohort
    work.say("Holding stated probabilities against the truth")
    return calibration_tables(cohort.forecasts(), work.contract, work.protocol)


def calibration(work: Work) -> pl.DataFrame:
    """Measures of calibration."""
    return work.once(calibrations).calibration


def calibration_curve(work: Work) -> pl.DataFrame:
    """The curves behind them."""
    return work.once(calibrations).curves


def agreement(work: Work) -> pl.DataFrame:
    """How often two examiners agree on one knee."""
    cohort = work.cohort
    work.say("Asking how often two examiners agree")
    pairs = read_pairs(cohort.con, work.protocol, with_examiners=work.with_examiners)
    return work.conform("agreement", agreement_table(pairs, work.contract, work.protocol))
