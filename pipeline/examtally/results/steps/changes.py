"""Interventions: whether the exam changed, and what else did."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
import polars as pl

from examtally.analytics.change.changes import changes_table
from examtally.analytics.change.context import context_table
from examtally.analytics.change.drift import drift_table, events_table
from examtally.analytics.intervals import BoolArray
from examtally.contracts.protocol.interventions import Intervention
from examtally.contracts.results import empty
from examtally.results.steps import calibration_and_agreement as judging
from examtally.results.steps import leading
from examtally.results.steps.indicators import indicators
from examtally.results.work import Work


def changes(work: Work) -> pl.DataFrame:
    """Every declared target of every declared intervention."""
    if not work.protocol.interventions:
        return empty("changes")
    models = work.once(leading.models)
    work.say("Comparing before and after each intervention")
    return work.conform(
        "changes", changes_table(models, _reached(work), work.protocol, work.contract.catalogue.case_mix)
    )


def change_context(work: Work) -> pl.DataFrame:
    """Case mix, imaging, examiners and readers before and after."""
    if not work.protocol.interventions:
        return empty("change_context")
    readings: pl.DataFrame = work.cohort.con.sql(_READINGS).pl()
    mix = work.contract.catalogue.case_mix
    found = context_table(work.verification_frame, work.once(leading.models), readings, work.protocol, mix)
    return work.conform("change_context", found)


def drift(work: Work) -> pl.DataFrame:
    """Changes of level of accuracy, agreement, imaging and calibration."""
    known = work.once(indicators)
    work.say("Looking for changes of level")
    con = work.cohort.con
    con.register("drift_pairs", work.once(judging.exam_pairs).filter(group_by="overall").to_arrow())
    pairs: pl.DataFrame = con.sql(_AGREED).pl()
    con.unregister("drift_pairs")
    catalogue = work.contract.catalogue
    own = {code: catalogue.maneuvers[code].conditions for code in work.protocol.core}
    core = {code: conditions[0] for code, conditions in own.items() if conditions}
    return work.conform("drift", drift_table(known, work.once(leading.models), pairs, work.protocol, core))


def drift_events(work: Work) -> pl.DataFrame:
    """What began in the records when a level changed."""
    first: pl.DataFrame = work.cohort.con.sql(_BEGAN).pl()
    declared = [{"event": "intervention", "period": one.period} for one in work.protocol.interventions]
    seen = pl.concat([first, pl.DataFrame(declared, schema=first.schema)])
    return work.conform("drift_events", events_table(seen, work.once(drift)))


_AGREED = """
    select p.maneuver, e.period, p.a = p.b as same
    from drift_pairs p join exam_keys k on k.ek = p.exam_b join used_exams e on e.exam_id = k.exam_id
    order by all
"""
_BEGAN = """
    select 'new_examiner' as event, min(period) as period from reg.exams group by examiner_id
    union all
    select 'new_reader', min(e.period) from reg."references" r join reg.exams e using (participant_id, side)
        where r.reader_id is not null group by r.reader_id
    union all
    select 'new_batch', min(period) from used_exams group by batch_no
    order by all
"""
_READINGS = """
    select e.period, r.reader_id as reader, count(*) as readings
    from joint_references r join (
        select participant_id, side, coalesce(episode, 1) as episode, min(period) as period from used_exams group by all
    ) e on e.participant_id = r.participant_id and e.side = r.side and e.episode = coalesce(r.episode, 1)
    where r.reader_id is not null group by all order by all
"""


def _reached(work: Work) -> Mapping[str, BoolArray]:
    """Of every row of the verification frame, whether each intervention reached its examiner."""
    labels = work.cohort.con.sql("select code, label from group_labels where group_by = 'examiner'").fetchall()
    names = dict(labels)
    frame = work.verification_frame
    examiner = frame["examiner"].replace_strict(names, default="", return_dtype=pl.String)
    roles = partial(work.protocol.comparisons.grouped, "role")
    return {one.code: _of(one, frame, examiner, roles(one.reached.roles)) for one in work.protocol.interventions}


def _of(one: Intervention, frame: pl.DataFrame, examiner: pl.Series, roles: tuple[str, ...]) -> BoolArray:
    if one.reached.is_everybody:
        return np.ones(frame.height, bool)
    named = {"role": roles, "site": one.reached.sites}
    found = examiner.is_in(list(one.reached.examiners)).to_numpy()
    for column, values in named.items():
        if values and column in frame.columns:
            found = found | frame[column].cast(pl.String).is_in(list(values)).to_numpy()
    return np.asarray(found)
