"""Maneuvers against each other, between groups of exams, and by their grades."""

from __future__ import annotations

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.between_groups import with_bias_adjusted_interactions
from examtally.analytics.bias_adjusted.together import with_bias_adjusted_comparisons
from examtally.analytics.comparison.interactions import interactions_table
from examtally.analytics.comparison.tables import comparisons_table
from examtally.analytics.intervals import FloatArray
from examtally.analytics.roc.tables import GradedTables, graded_tables
from examtally.cohort.diagnostic_frame import read_graded_frame
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.results.steps import leading
from examtally.results.steps.corrections import knees
from examtally.results.work import Work


def graded_frame(work: Work) -> pl.DataFrame:
    """Grades, measures and the order of doing, beside the verification frame."""
    return read_graded_frame(work.cohort.con, work.contract)


def comparisons(work: Work) -> pl.DataFrame:
    """Every two maneuvers for one condition."""
    compared = work.once(knees)
    work.say("Comparing maneuvers in the same people")
    seen = comparisons_table(compared, _orders(work), work.protocol)
    if not work.wants("bias_adjusted"):
        return seen
    return with_bias_adjusted_comparisons(seen, work.once(leading.models), work.contract, work.protocol)


def interactions(work: Work) -> pl.DataFrame:
    """One maneuver in two groups."""
    compared = work.once(knees)
    work.say("Comparing groups of exams")
    seen = interactions_table(compared, work.protocol)
    if not work.wants("bias_adjusted"):
        return seen
    degrees = work.once(leading.severity_estimates) if SEVERITY in work.protocol.comparisons.groups else ()
    return with_bias_adjusted_interactions(
        seen, work.verification_frame, work.once(leading.models), degrees, work.contract, work.protocol
    )


def _orders(work: Work) -> dict[str, FloatArray]:
    """Each maneuver's place in every exam of the verification frame, NaN where not recorded."""
    placed = work.once(graded_frame).filter(pl.col("done_order").is_not_null())
    orders: dict[str, FloatArray] = {}
    for (maneuver,), part in placed.group_by("maneuver", maintain_order=True):
        order = np.full(work.verification_frame.height, np.nan)
        order[part["place"].to_numpy()] = part["done_order"].to_numpy()
        orders[str(maneuver)] = order
    return orders


def graded(work: Work) -> GradedTables:
    """What grades, measures, end points and signs tell."""
    compared, recorded = work.once(knees), work.once(graded_frame)
    work.say("Reading grades and measures")
    return graded_tables(compared, recorded, work.contract, work.protocol)


def roc(work: Work) -> pl.DataFrame:
    """A row per threshold."""
    return work.once(graded).roc


def auc(work: Work) -> pl.DataFrame:
    """Areas under the curves."""
    return work.once(graded).auc


def level_ratios(work: Work) -> pl.DataFrame:
    """What each level means."""
    return work.once(graded).level_ratios
