"""Accuracy where the reference errs: allowed for, estimated here, and done without."""

from __future__ import annotations

import polars as pl

from examtally.analytics.bias_adjusted.tipping import tipping_rows
from examtally.analytics.imperfect_reference.latent_class_tables import latent_class_table
from examtally.analytics.imperfect_reference.local_reference import (
    LocalReference,
    local_references,
    reference_accuracy_table,
)
from examtally.analytics.imperfect_reference.pairs import ErringPair, erring_pairs, only_erring, only_taken_as_true
from examtally.analytics.imperfect_reference.tables import ReferenceErrorTables, reference_error_tables
from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of
from examtally.results.steps import leading
from examtally.results.work import Work


def erring_frame(work: Work) -> pl.DataFrame:
    """The verification frame in which only the modality that errs counts."""
    work.say("Allowing for references that err")
    return _frame(work, only_erring(work.contract, work.protocol))


def pairs(work: Work) -> list[ErringPair]:
    """Every pair whose reference errs, corrected for who had it."""
    return erring_pairs(work.once(erring_frame), work.contract, work.protocol)


def local(work: Work) -> list[LocalReference]:
    """How accurate the modality is in these knees."""
    truth = _frame(work, only_taken_as_true(work.contract, work.protocol))
    return local_references(work.once(erring_frame), truth, work.contract, work.protocol)


def reference_errors(work: Work) -> ReferenceErrorTables:
    """Accuracy over a grid of assumed errors, and where a conclusion turns."""
    return reference_error_tables(work.once(pairs), work.once(local), work.protocol)


def reference_error(work: Work) -> pl.DataFrame:
    """Accuracy over a grid of assumed errors of the reference."""
    return work.once(reference_errors).reference_error


def tipping(work: Work) -> pl.DataFrame:
    """The assumed error at which a conclusion turns."""
    about_reference = work.once(reference_errors).tipping
    rows = list(tipping_rows(work.once(leading.models), work.once(leading.leading_estimates), work.protocol))
    return pl.concat([about_reference, table_of("tipping", rows)])


def reference_accuracy(work: Work) -> pl.DataFrame:
    """What is published of each modality that errs, and what these knees say of it."""
    return reference_accuracy_table(work.once(local))


def latent_class(work: Work) -> pl.DataFrame:
    """Finding and erring modality, neither taken as true."""
    found = work.once(pairs)
    work.say("Doing without a reference")
    return latent_class_table(found, work.protocol)


def _frame(work: Work, protocol: Protocol) -> pl.DataFrame:
    """The verification frame of the analysis set under other references."""
    with build_cohort(work.registry.con, work.contract, protocol, work.selection) as cohort:
        return read_verification_frame(cohort.con, cohort.groupings, work.contract, protocol)
