"""Who was studied, by target condition: the table that a paper shows first."""

from __future__ import annotations

import polars as pl

from examtally.contracts.results import conform
from examtally.contracts.study import Study

GROUPINGS = ("overall", "sex", "age_band", "bmi_band", "thigh_band", "acuity", "effusion", "guarding", "setting")
"""Groupings of index exams that describe the person and the knee, none the examiner."""


def participants_table(study: Study, tallies: pl.DataFrame, status: str) -> pl.DataFrame:
    """Return the table `study_participants`, from the tallies of every grouping.

    It counts the first index test of the first analysis, equivocal findings included.
    """
    condition = study.selection.target.condition if study.selection.target else "none"
    (first, *_) = study.analyses[0].tests
    of_test = tallies.filter(
        pl.col("condition") == condition, pl.col("maneuver") == first, pl.col("group_by").is_in(GROUPINGS)
    )
    present = pl.col("tp") + pl.col("fn") + pl.col("equivocal_present")
    absent = pl.col("fp") + pl.col("tn") + pl.col("equivocal_absent")
    counted = of_test.select(
        "group_by",
        "group",
        knees=pl.col("done"),
        present=present,
        absent=absent,
        unsettled=pl.col("done") - present - absent,
    )
    return conform("study_participants", counted, status=status)
