"""Accuracy corrected: for who was verified, for references that err, for both, and pooled over examiners."""

from __future__ import annotations

import polars as pl

from examtally.analytics.bias_adjusted.tables import with_bias_adjusted, with_severity
from examtally.analytics.examiner_effects.tables import PoolingTables, pooling_tables
from examtally.analytics.imperfect_reference.tables import with_reference_error
from examtally.analytics.verification_bias.knees import ConditionKnees, every_condition
from examtally.analytics.verification_bias.tables import VerificationTables, verification_tables, with_corrected
from examtally.cohort.groupings import read_examiners
from examtally.cohort.verification_frame import verification_groups
from examtally.results.steps import leading
from examtally.results.steps.imperfect_reference import pairs
from examtally.results.steps.leading import leading_estimates, severity_estimates
from examtally.results.work import Work

CORRECTED = ("verification", "begg_greenes", "ipw", "multiple_imputation", "bounds")
POOLED = ("pooled", "pooled_verification", "pooled_bias_adjusted", "pooled_case_mix")


def with_corrections(work: Work, naive: pl.DataFrame) -> pl.DataFrame:
    """The figures on verified knees, and those under each correction that is asked for."""
    made = naive
    if work.wants(*CORRECTED):
        made = with_corrected(made, work.once(verifications))
    if work.wants(*POOLED):
        made = pl.concat([made, work.without_persons(work.once(poolings).accuracy)])
    if work.wants("reference_error"):
        made = with_reference_error(made, work.once(pairs), work.protocol)
    if work.wants("bias_adjusted"):
        led = with_bias_adjusted(made, work.once(leading_estimates))
        made = with_severity(led, work.once(severity_estimates), work.protocol)
    return made


def knees(work: Work) -> dict[str, ConditionKnees]:
    """The knees of every condition, with the models of who was verified that several tables share."""
    return every_condition(work.verification_frame, work.contract, work.protocol)


def verifications(work: Work) -> VerificationTables:
    """Who was verified, and the figures corrected for it."""
    every = work.once(knees)
    work.say("Asking who was verified")
    return verification_tables(every, verification_groups(work.cohort.groupings), work.protocol)


def verification(work: Work) -> pl.DataFrame:
    """Share verified by result."""
    return work.once(verifications).verification


def verification_bounds(work: Work) -> pl.DataFrame:
    """What the unknown answers allow."""
    return work.once(verifications).bounds


def verification_models(work: Work) -> pl.DataFrame:
    """The models behind the correction, with their diagnostics."""
    return work.once(verifications).models


def poolings(work: Work) -> PoolingTables:
    """Differences between examiners, chance taken out."""
    frame = work.verification_frame
    status = work.once(leading.records), work.once(leading.models)
    work.say("Telling examiners apart from chance")
    return pooling_tables(frame, read_examiners(work.cohort.con), work.contract, work.protocol, status)


def examiner_spread(work: Work) -> pl.DataFrame:
    """How far examiners lie apart."""
    return work.once(poolings).spread


def examiner_probability(work: Work) -> pl.DataFrame:
    """How probably one examiner lies below the others."""
    return work.without_persons(work.once(poolings).probability)
