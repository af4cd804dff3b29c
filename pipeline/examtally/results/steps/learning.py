"""How learners come along."""

from __future__ import annotations

import polars as pl

from examtally.analytics.bias_adjusted.tables import status_right
from examtally.analytics.learning_curves.tables import learning_table
from examtally.cohort.learning_frame import read_learning_frame, read_supervisor_counts
from examtally.contracts.results import empty
from examtally.results.steps import leading
from examtally.results.work import Work


def learning(work: Work) -> pl.DataFrame:
    """The charts of every learner; they are about persons, and made only where those are asked for."""
    if not work.with_examiners:
        return empty("learning")
    cohort = work.cohort
    work.say("Following how learners come along")
    cases = read_learning_frame(cohort.con, work.protocol)
    supervisors = read_supervisor_counts(cohort.con, work.protocol)
    right = status_right(work.once(leading.models))
    return work.conform("learning", learning_table(cases, supervisors, work.protocol, right))
