"""Interventions: whether the exam changed, and what else did."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from examtally.analytics.change.changes import changes_table
from examtally.analytics.change.context import context_table
from examtally.analytics.intervals import BoolArray
from examtally.contracts.protocol.interventions import Intervention
from examtally.contracts.results import empty
from examtally.results.steps import leading
from examtally.results.work import Work


def changes(work: Work) -> pl.DataFrame:
    """Every declared target of every declared intervention."""
    if not work.protocol.interventions:
        return empty("changes")
    models = work.once(leading.models)
    work.say("Comparing before and after each intervention")
    return work.conform("changes", changes_table(models, _reached(work), work.protocol))


def change_context(work: Work) -> pl.DataFrame:
    """Case mix, imaging, examiners and readers before and after."""
    if not work.protocol.interventions:
        return empty("change_context")
    readings: pl.DataFrame = work.cohort.con.sql(_READINGS).pl()
    found = context_table(work.verification_frame, work.once(leading.models), readings, work.protocol)
    return work.conform("change_context", found)


_READINGS = """
    select e.period, r.reader_id as reader, count(*) as readings
    from reg."references" r join (
        select participant_id, side, coalesce(episode, 1) as episode, min(period) as period from reg.exams group by all
    ) e on e.participant_id = r.participant_id and e.side = r.side and e.episode = coalesce(r.episode, 1)
    where r.reader_id is not null group by all order by all
"""


def _reached(work: Work) -> Mapping[str, BoolArray]:
    """Of every row of the verification frame, whether each intervention reached its examiner."""
    labels = work.cohort.con.sql("select code, label from group_labels where group_by = 'examiner'").fetchall()
    names = dict(labels)
    frame = work.verification_frame
    examiner = frame["examiner"].replace_strict(names, default="", return_dtype=pl.String)
    return {one.code: _of(one, frame, examiner) for one in work.protocol.interventions}


def _of(one: Intervention, frame: pl.DataFrame, examiner: pl.Series) -> BoolArray:
    if one.reached.is_everybody:
        return np.ones(frame.height, bool)
    named = {"role": one.reached.roles, "site": one.reached.sites}
    found = examiner.is_in(list(one.reached.examiners)).to_numpy()
    for column, values in named.items():
        if values and column in frame.columns:
            found = found | frame[column].cast(pl.String).is_in(list(values)).to_numpy()
    return np.asarray(found)
