"""What each learner found beside what it is held against: the cases that charts of learning are made of."""

from __future__ import annotations

from collections.abc import Collection

import polars as pl

from examtally.cohort.cells import CELLS_A_PAIR, RESULTS, STATUSES
from examtally.cohort.pairs import listed, takes_part
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine

_ROLE = "l.group_by = 'role' and l.label in ({})"


def read_learning_frame(con: Engine, protocol: Protocol) -> pl.DataFrame:
    """Return the cases of a cohort's connection: one row a learner's first eligible exam of an episode, per pair.

    Learners and supervisors are those whose role on the day is in `agreement.learners` and `agreement.supervisors`.
    `learning.outcome` says which outcomes there are:

    - `reference`: the condition is settled inside a closed window; the case fails where finding and status differ;
    - `supervisor`: a supervisor's own exam of the same episode on the same day, neither of the two known to the other
      examiner (`other_exam_known` is not yes); of several the first, whatever it recorded. The case fails where the two
      findings differ. Open windows and knees without a reference take part.

    Only positive and negative findings make a case; an equivocal one counts as the protocol says. Columns: condition,
    maneuver, examiner_id, outcome, period, place (puts the periods in order), participant (a number that stands for
    the person within this frame), positive (the condition is there, or the supervisor found it positive), failed. Rows
    are sorted, and the order within a period means nothing.
    """
    asked = protocol.learning.outcome
    learners = protocol.comparisons.grouped("role", protocol.agreement.learners)
    parts = {"reference": _against_reference(learners), "supervisor": _against_supervisor(protocol)}
    cases = " union all ".join(f"({part})" for name, part in parts.items() if asked in (name, "both"))
    frame: pl.DataFrame = con.sql(
        f"""
        select condition, maneuver, x.label as examiner_id, outcome, period,
            (dense_rank() over (order by length(period), period))::bigint as place,
            (dense_rank() over (order by participant_id))::bigint as participant, positive, failed
        from ({cases}) c join participant_keys using (pk)
            join group_labels x on x.group_by = 'examiner' and x.code = c.g_examiner
        order by all
        """
    ).pl()
    return frame


def read_supervisor_counts(con: Engine, protocol: Protocol) -> pl.DataFrame:
    """Return how often supervisors' findings differ from the reference, each one's first eligible exam of an episode.

    Columns: condition, maneuver, outcome (reference), positive (the condition is there), cases, failures, participants.
    """
    supervisors = protocol.comparisons.grouped("role", protocol.agreement.supervisors)
    frame: pl.DataFrame = con.sql(
        f"""
        select condition, maneuver, outcome, positive, count(*) as cases,
            count(*) filter (failed) as failures, count(distinct pk) as participants
        from ({_against_reference(supervisors)}) group by all order by all
        """
    ).pl()
    return frame


def _against_reference(roles: Collection[str]) -> str:
    status, result = f"cell % {len(STATUSES)}", f"cell // {len(STATUSES)} % {len(RESULTS)}"
    return f"""
        select p.condition, p.maneuver, 'reference' as outcome, ex.period, ex.pk, ex.g_examiner,
            {status} = 0 as positive, {status} <> {result} as failed
        from cells join cohort_exams ex using (ek) join pairs p on p.pair = cell // {CELLS_A_PAIR}
            join group_labels l on l.code = ex.g_role and {_ROLE.format(listed(roles) or "null")}
        where {status} <= 1 and {result} <= 1
    """


def _against_supervisor(protocol: Protocol) -> str:
    grouped, who = protocol.comparisons.grouped, protocol.agreement
    learners, supervisors = (listed(grouped("role", roles)) or "null" for roles in (who.learners, who.supervisors))
    return f"""
        with taking_part as (
            select ex.*, l.label as role
            from cohort_exams ex join group_labels l on l.code = ex.g_role and l.group_by = 'role'
                join used_exams e using (exam_id)
            where {takes_part(protocol)}
        ),
        met as (
            select a.ek, a.exam_id, a.pk, a.period, a.g_examiner, a.own_bits, b.exam_id as other_id
            from taking_part a join taking_part b using (pk, is_right, episode, exam_day)
            where a.g_examiner <> b.g_examiner and a.own_bits <> 0
                and a.role in ({learners})
                and b.role in ({supervisors})
            qualify row_number() over (
                partition by a.ek order by b.examiner_order nulls last, md5(b.exam_id)
            ) = 1
        ),
        found as (
            select exam_id, maneuver, {_called("result", protocol)} as result from used_findings
            where {_called("result", protocol)} in ('positive', 'negative')
        )
        select p.condition, p.maneuver, 'supervisor' as outcome, met.period, met.pk, met.g_examiner,
            g.result = 'positive' as positive, f.result <> g.result as failed
        from met join found f using (exam_id) join found g on g.exam_id = met.other_id and g.maneuver = f.maneuver
            join pairs p on p.maneuver = f.maneuver and (met.own_bits & p.bit) <> 0
    """


def _called(column: str, protocol: Protocol) -> str:
    """SQL for a result, an equivocal one as the protocol counts it."""
    if protocol.equivocal == "excluded":
        return column
    return f"case {column} when 'equivocal' then '{protocol.equivocal}' else {column} end"
