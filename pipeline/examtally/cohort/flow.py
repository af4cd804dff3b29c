"""The flow: for each condition and maneuver every exam of the registry, once, under the first reason that applies."""

from __future__ import annotations

import polars as pl

from examtally.cohort.cells import CELLS_A_PAIR
from examtally.cohort.reasons import REASONS, STEPS, number
from examtally.contracts.records.engine import Engine


def read_flow(con: Engine, every_bit: int, *, has_population: bool = False) -> pl.DataFrame:
    """Return condition, maneuver, step, reason, exams, participants: one row a pair and reason, zeros included.

    The exams of a pair add up to the exams of the registry. A participant counts once under each reason that one of
    his or her exams ends with. Rows stand in the order of pairs and reasons. Only where a study has a population of its
    own is there a row for the exams outside it.
    """
    reasons = ", ".join(
        f"({number(reason)}, '{step}', '{reason}')"
        for reason, step in STEPS.items()
        if has_population or reason != "outside_population"
    )
    flow: pl.DataFrame = con.sql(
        f"""
        with {_before_finding(every_bit)}, {_findings()},
        found as (
            select pair, reason, exams, participants from before_finding join pairs using (bit)
            union all select pair, reason, exams, participants from finding
            union all select pair, {number("not_recorded")}, exams, participants from not_recorded
        )
        select condition, maneuver, step, r.reason, coalesce(exams, 0)::bigint as exams,
            coalesce(participants, 0)::bigint as participants
        from pairs cross join (values {reasons}) r(place, step, reason)
            left join found on found.pair = pairs.pair and found.reason = r.place
        order by pairs.pair, r.place
        """
    ).pl()
    return flow


def _before_finding(every_bit: int) -> str:
    """CTE `before_finding`: exams and participants by condition bit and reason, up to the open window.

    Mature index exams stand under the number after the last reason.
    """
    stages = {
        number("after_reference"): "base_reason is null, (~eligible_bits) & {every}",
        number("not_index_exam"): "base_reason is null, eligible_bits & ~index_bits",
        number("window_open"): "base_reason is null, index_bits & open_bits",
        _MATURE: "base_reason is null, index_bits & ~open_bits",
    }
    marks = [
        f"select pk, base_reason as reason, {every_bit}::ubigint as bits from cohort_exams "
        "where base_reason is not null"
    ]
    for reason, stage in stages.items():
        test, bits = stage.format(every=f"{every_bit}::ubigint").split(", ")
        marks.append(f"select pk, {reason}, {bits} from cohort_exams where {test}")
    return f"""
        marks as ({" union all ".join(marks)}),
        by_exam as (select reason, bits, count(*) as n from marks where bits <> 0 group by all),
        persons as (
            select reason, bits, count(*) as n from (select pk, reason, bit_or(bits) as bits from marks group by all)
            group by all
        ),
        before_finding as (
            select bit, reason, sum(exams) as exams, sum(people) as participants
            from (
                select reason, bits, n as exams, 0 as people from by_exam
                union all select reason, bits, 0, n from persons
            ) join conditions on (bits & bit) <> 0
            group by all
        )
    """


def _findings() -> str:
    """CTEs `finding`, by pair and reason, and `not_recorded`, by pair: mature index exams without a row."""
    return f"""
        counted as materialized (
            select cell // {CELLS_A_PAIR} as pair, reason, is_repeat, pk, count(*) as n
            from (
                select cell, reason, is_repeat, case when is_repeat then pk end as pk
                from cells join cohort_exams using (ek)
                where is_index
            ) group by all
        ),
        finding as (
            select pair, reason, sum(n) as exams,
                sum(case when is_repeat then 1 else n end) as participants
            from counted group by all
        ),
        due as (
            select pk, bit, count(*) as n from cohort_exams join conditions on (index_bits & ~open_bits & bit) <> 0
            where is_repeat group by all
        ),
        recorded as (select pair, pk, sum(n) as n from counted where is_repeat group by all),
        complete as (
            select pair, count(*) as participants
            from recorded r join pairs using (pair) join due on due.pk = r.pk and due.bit = pairs.bit and due.n = r.n
            group by all
            union all select pair, sum(n) from counted where not is_repeat group by all
        ),
        not_recorded as (
            select p.pair, m.exams - coalesce(f.exams, 0) as exams,
                m.participants - coalesce(c.participants, 0) as participants
            from pairs p join before_finding m on m.bit = p.bit and m.reason = {_MATURE}
                left join (select pair, sum(exams) as exams from finding group by pair) f using (pair)
                left join (select pair, sum(participants) as participants from complete group by pair) c using (pair)
        )
    """


_MATURE = len(REASONS)
