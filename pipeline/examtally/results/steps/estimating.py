"""Accuracy of each maneuver: on verified knees, corrected for verification, pooled over examiners."""

from __future__ import annotations

import polars as pl

from examtally.analytics.accuracy import accuracy_table, post_test_table
from examtally.analytics.pooling.tables import PoolingTables, pooling_tables
from examtally.analytics.reference_error_accuracy import with_reference_error
from examtally.analytics.scenarios import scenario_table
from examtally.analytics.verification.tables import VerificationTables, verification_tables, with_corrected
from examtally.cohort.examiners import read_examiners
from examtally.cohort.scenarios import read_scenarios
from examtally.cohort.verification_frame import verification_groups
from examtally.results.steps.counting import tallies
from examtally.results.steps.erring import pairs
from examtally.results.work import Work


def accuracy(work: Work) -> pl.DataFrame:
    """Every figure of accuracy under every adjustment."""
    counted = work.once(tallies)
    work.say("Estimating accuracy")
    naive = accuracy_table(counted, work.cohort.role_clusters(), work.contract, work.protocol)
    corrected = with_corrected(naive, work.once(verifications), work.protocol)
    pooled = work.without_persons(work.once(poolings).accuracy)
    together = pl.concat([corrected, pooled])
    return work.conform("accuracy", with_reference_error(together, work.once(pairs), work.protocol))


def post_test(work: Work) -> pl.DataFrame:
    """What a finding does to a probability."""
    return post_test_table(work.once(accuracy), work.protocol)


def verifications(work: Work) -> VerificationTables:
    """Who was verified, and the figures corrected for it."""
    frame = work.verification_frame
    work.say("Asking who was verified")
    return verification_tables(frame, verification_groups(work.cohort.groupings), work.contract, work.protocol)


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
    """Examiners told apart from chance."""
    frame = work.verification_frame
    work.say("Telling examiners apart from chance")
    return pooling_tables(frame, read_examiners(work.cohort.con), work.contract, work.protocol)


def examiner_spread(work: Work) -> pl.DataFrame:
    """How far examiners lie apart."""
    return work.once(poolings).spread


def examiner_probability(work: Work) -> pl.DataFrame:
    """How probably one examiner lies below the others."""
    return work.without_persons(work.once(poolings).probability)


def sensitivity_analyses(work: Work) -> pl.DataFrame:
    """What would change under other choices."""
    main = accuracy_table(work.cohort.tallies(), None, work.contract, work.protocol)
    work.say("Asking what would change under other choices")
    scenarios = read_scenarios(work.cohort, work.registry.con, work.contract, work.protocol)
    return work.conform("sensitivity_analyses", scenario_table(scenarios, main, work.contract))
