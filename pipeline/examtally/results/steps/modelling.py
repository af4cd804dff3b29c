"""Several maneuvers together, and what they add to the history."""

from __future__ import annotations

import polars as pl

from examtally.analytics.together.joint_tables import combinations_table, dependence_table, patterns_table
from examtally.cohort.diagnostic_frame import read_diagnostic_frame
from examtally.results.work import Work


def diagnostic_frame(work: Work) -> pl.DataFrame:
    """One row per exam whose answer is known, with what was told and found."""
    cohort = work.cohort
    return read_diagnostic_frame(cohort.con, work.contract, work.protocol)


def combinations(work: Work) -> pl.DataFrame:
    """Several maneuvers as one test."""
    frame = work.once(diagnostic_frame)
    work.say("Counting maneuvers together")
    return combinations_table(frame, work.contract, work.protocol)


def dependence(work: Work) -> pl.DataFrame:
    """Do two findings go together."""
    return dependence_table(work.once(diagnostic_frame), work.contract, work.protocol)


def patterns(work: Work) -> pl.DataFrame:
    """What a pattern of findings is worth."""
    return patterns_table(work.once(diagnostic_frame), work.contract, work.protocol)
