"""The leading estimate: who was imaged and the errors of the reference allowed for together."""

from __future__ import annotations

import polars as pl

from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.leading import Leading
from examtally.analytics.bias_adjusted.leading import leading_estimates as estimates
from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.bias_adjusted.model import bias_models as fit_models
from examtally.analytics.bias_adjusted.severity import BySeverity, by_severity
from examtally.analytics.bias_adjusted.tables import bias_models_table, leading_table, reference_posterior_table
from examtally.cohort.status_frame import read_status_frames
from examtally.cohort.verification_frame import verification_groups
from examtally.results.work import Work


def records(work: Work) -> StatusRecords:
    """What tells of the status of every index exam."""
    status = read_status_frames(work.cohort.con, work.contract, work.protocol)
    return StatusRecords.of(work.verification_frame, status.exams, status.readings, status.others)


def models(work: Work) -> BiasModels:
    """Who has each condition; later steps take weights and draws from it."""
    known = work.once(records)
    work.say("Asking who has the condition, imaged or not")
    return fit_models(known, work.contract, work.protocol)


def severity_estimates(work: Work) -> tuple[BySeverity, ...]:
    """Sensitivity by how severe the condition is."""
    return tuple(by_severity(work.once(records), work.once(models), work.contract, work.protocol))


def leading_estimates(work: Work) -> tuple[Leading, ...]:
    """The leading estimate of every pair, overall and by group."""
    found = work.once(models)
    return tuple(estimates(found, verification_groups(work.cohort.groupings), work.contract, work.protocol))


def leading(work: Work) -> pl.DataFrame:
    """What first screens, cards and abstracts read."""
    return leading_table(work.once(leading_estimates), work.protocol)


def reference_posterior(work: Work) -> pl.DataFrame:
    """Accuracy of the tests that err, before and after the data."""
    return reference_posterior_table(work.once(models), work.protocol)


def bias_models(work: Work) -> pl.DataFrame:
    """What the models are made of."""
    return bias_models_table(work.once(models), work.protocol)
