"""Accuracy of each maneuver: on verified knees, corrected for verification, pooled over examiners."""

from __future__ import annotations

import polars as pl

from examtally.analytics.bias_adjusted.tables import with_bias_adjusted, with_severity
from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table, post_test_table, scenario_table
from examtally.analytics.examiner_effects.tables import PoolingTables, pooling_tables
from examtally.analytics.imperfect_reference.tables import with_reference_error
from examtally.analytics.verification_bias.tables import VerificationTables, verification_tables, with_corrected
from examtally.cohort.groupings import read_examiners
from examtally.cohort.scenarios import read_scenarios
from examtally.cohort.verification_frame import verification_groups
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.results.intake_tables import read_waiting
from examtally.results.steps import leading
from examtally.results.steps.imperfect_reference import pairs
from examtally.results.steps.leading import leading_estimates, severity_estimates
from examtally.results.work import Work

CORRECTED = ("verification", "begg_greenes", "ipw", "multiple_imputation", "bounds")
POOLED = ("pooled", "pooled_verification", "pooled_bias_adjusted", "pooled_case_mix")


def cohort_summary(work: Work) -> pl.DataFrame:
    """Who was studied, and what still waits for its exam."""
    cohort = work.cohort
    work.say("Describing who was studied")
    parts = [cohort.summary(), read_waiting(work.registry.con, work.contract)]
    return work.conform("cohort_summary", pl.concat(parts, how="diagonal"))


def flow(work: Work) -> pl.DataFrame:
    """Every exam under the reason by which it ended."""
    cohort = work.cohort
    work.say("Following every exam to where it ends")
    return work.conform("flow", cohort.flow())


def tallies(work: Work) -> pl.DataFrame:
    """Counts of findings against references, for every group."""
    cohort = work.cohort
    work.say("Counting findings against references")
    counted = cohort.tallies().with_columns(_unsettled(work.contract, work.protocol))
    return work.without_persons(work.conform("tallies", counted))


def _unsettled(contract: Contract, protocol: Protocol) -> list[pl.Expr]:
    """Flag and note of the conditions that nothing settles under this protocol."""
    notes = {
        code: condition.unsettled_note or "No accepted test settles this condition."
        for code, condition in contract.catalogue.conditions.items()
        if code not in protocol.reference.accepted
    }
    is_unsettled = pl.col("condition").is_in(list(notes))
    return [
        pl.when(is_unsettled).then(pl.lit("not_settled")).alias("flag"),
        pl.col("condition").replace_strict(notes, default=None, return_dtype=pl.String).alias("note"),
    ]


def accuracy(work: Work) -> pl.DataFrame:
    """Every figure of accuracy under every adjustment."""
    counted = work.once(tallies)
    work.say("Estimating accuracy")
    made = accuracy_table(counted, work.cohort.role_clusters(), work.contract, work.protocol)
    if work.wants(*CORRECTED):
        made = with_corrected(made, work.once(verifications))
    if work.wants(*POOLED):
        made = pl.concat([made, work.without_persons(work.once(poolings).accuracy)])
    if work.wants("reference_error"):
        made = with_reference_error(made, work.once(pairs), work.protocol)
    if work.wants("bias_adjusted"):
        led = with_bias_adjusted(made, work.once(leading_estimates))
        made = with_severity(led, work.once(severity_estimates), work.protocol)
    asked = [name for name in made["adjustment"].unique() if work.wants(name)]
    return work.conform("accuracy", made.filter(pl.col("adjustment").is_in(asked)))


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


def sensitivity_analyses(work: Work) -> pl.DataFrame:
    """What would change under other choices."""
    main = accuracy_table(work.cohort.tallies(), None, work.contract, work.protocol)
    work.say("Asking what would change under other choices")
    scenarios = read_scenarios(work.cohort, work.registry.con, work.contract, work.protocol)
    return work.conform("sensitivity_analyses", scenario_table(scenarios, main, work.contract))
