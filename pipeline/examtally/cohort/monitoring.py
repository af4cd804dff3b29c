"""What is watched month by month: counts of exams and of core conditions, by period and site, and what is still open.

Read from a cohort's connection. Process indicators count every exam of a knee with a complaint outside the operating
room; those about answers count exams that are their episode's first for some core condition that a test settles.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from examtally.cohort.cells import CELLS_A_PAIR, RESULTS, STATUSES
from examtally.cohort.conditions import WITHOUT_CONDITION
from examtally.cohort.groupings import text
from examtally.cohort.reasons import number
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine


@dataclass(frozen=True)
class Watched:
    """Frames of counts.

    - `counts`: period, site, indicator, numerator, denominator (null where the indicator is a plain count)
    - `days`: period, site, days from exam to the first usable answer, exams; of exams whose windows have closed
    - `stated`: period, condition, probability stated after the exam, present, n; of knees whose answer is known and
      whose window has closed
    - `periods`: period, records_open (the newest is: it still fills), answers_open (some core condition's window is)
    - `conditions`: period, condition, is_open; core conditions that a test settles
    - `sites`: site, examiners
    """

    counts: pl.DataFrame
    days: pl.DataFrame
    stated: pl.DataFrame
    periods: pl.DataFrame
    conditions: pl.DataFrame
    sites: pl.DataFrame


def read_watched(con: Engine, contract: Contract, protocol: Protocol) -> Watched:
    """Count exams, findings and statements of a cohort's connection, once; rows stand in the order of their keys."""
    catalogue = contract.catalogue.conditions
    core = tuple(code for code, item in catalogue.items() if item.core and code in protocol.reference.accepted)
    names = ", ".join(text(code) for code in core) or "null"
    bits = sum(bit for code, bit in con.sql("select condition, bit from conditions").fetchall() if code in core)
    held = f"{bits}::ubigint"
    con.execute(f"create temp table monitored_exams as {_exams(core, held, protocol)}")
    con.execute(f"create temp table stated_outcomes as {_told(names, held, protocol)}")
    try:
        return Watched(
            counts=con.sql(_counts()).pl(),
            days=con.sql(_DAYS).pl(),
            stated=con.sql(_STATED).pl(),
            periods=con.sql(
                f"select period, period = (select max(period) from period_windows) as records_open, "
                f"(open_bits & {held}) <> 0 as answers_open from period_windows order by period"
            ).pl(),
            conditions=con.sql(
                f"select period, condition, (open_bits & bit) <> 0 as is_open "
                f"from period_windows cross join conditions "
                f"where condition in ({names}) order by period, place"
            ).pl(),
            sites=con.sql(_SITES).pl(),
        )
    finally:
        con.execute("drop table stated_outcomes; drop table monitored_exams")


def _exams(core: tuple[str, ...], held: str, protocol: Protocol) -> str:
    """SQL of one row an exam: what was recorded in it, and whether its answers are in."""
    maneuvers = ", ".join(text(code) for code in protocol.core) or "null"
    names = ", ".join(text(code) for code in core) or "null"
    seen = f"base_reason is null or base_reason > {number('operating_room')}"
    return f"""
        with found as (
            select exam_id, count(*) filter (maneuver in ({maneuvers})) as core_rows,
                count(*) filter (is_diagnostic and result = 'equivocal') as equivocal,
                count(*) filter (is_diagnostic and result in ('positive', 'negative', 'equivocal')) as done
            from used_findings left join (
                select distinct maneuver, true as is_diagnostic from pairs where condition <> '{WITHOUT_CONDITION}'
            ) using (maneuver)
            group by exam_id
        ),
        said as (
            select exam_id, count(*) as statements from used_impressions
            where stage = 'after_exam' and condition in ({names}) group by exam_id
        ),
        answered as (
            select ek, min(reference_day - exam_day) as days
            from cohort_exams join reference_rows s using (pk, is_right, episode) join conditions c on c.bit = s.bit
                join accepted_modalities a on a.bit = s.bit and a.modality = s.modality and a.status = s.status
                    and (s.is_blinded or not a.is_blinded)
            where (index_bits & s.bit & {held}) <> 0 and s.status in ('present', 'absent')
                and reference_day - exam_day between first_day and last_day
            group by ek
        )
        select ek, ex.period, g_site, {seen} as is_seen,
            coalesce(core_rows, 0) = {len(protocol.core)} as is_complete,
            coalesce(statements, 0) = {len(core)} as is_stated,
            coalesce(e.reference_known = 'no', false) as is_blinded,
            coalesce(equivocal, 0) as equivocal, coalesce(done, 0) as done,
            (index_bits & {held}) <> 0 as is_index, (index_bits & open_bits & {held}) <> 0 as is_open,
            (index_bits & (present_bits | absent_bits) & {held}) <> 0 as is_verified,
            (index_bits & inside_bits & {held}) <> 0 as is_imaged, days
        from cohort_exams ex join used_exams e using (exam_id) left join found using (exam_id)
            left join said using (exam_id) left join answered using (ek)
    """


def _told(names: str, held: str, protocol: Protocol) -> str:
    """SQL of one row an exam and core condition whose answer is known: what was thought of it and what it was."""
    positive, results, statuses = RESULTS.index("positive"), len(RESULTS), len(STATUSES)
    likely, unlikely = protocol.monitoring.likely, protocol.monitoring.unlikely
    return f"""
        with said as (
            select ek, condition, max(probability) as probability
            from used_impressions i join cohort_exams ex using (exam_id)
            where stage = 'after_exam' and condition in ({names}) group by all
        ),
        found as (
            select distinct ek, condition from cells join pairs on pairs.pair = cell // {CELLS_A_PAIR}
            where is_index and cell // {statuses} % {results} = {positive} and condition in ({names})
        )
        select period, g_site, c.place, c.condition, (present_bits & bit) <> 0 as is_present,
            (open_bits & bit) <> 0 as is_open, probability,
            coalesce(probability >= {likely}, found.ek is not null) as is_suspected,
            coalesce(probability < {unlikely}, false) as is_unlikely
        from cohort_exams ex join conditions c on c.condition in ({names})
            left join said on said.ek = ex.ek and said.condition = c.condition
            left join found on found.ek = ex.ek and found.condition = c.condition
        where (index_bits & (present_bits | absent_bits) & bit & {held}) <> 0
    """


_OF_EXAMS = {
    "exams_seen": ("is_seen", None),
    "core_complete": ("is_seen and is_complete", "is_seen"),
    "probability_stated": ("is_seen and is_stated", "is_seen"),
    "examiner_blinded": ("is_seen and is_blinded", "is_seen"),
    "verified": ("is_index and is_verified", "is_index"),
    "undecided": ("is_index and not is_verified and is_imaged and not is_open", "is_index"),
    "not_imaged": ("is_index and not is_verified and not is_imaged and not is_open", "is_index"),
    "results_still_coming": ("is_index and not is_verified and is_open", "is_index"),
}
_OF_ANSWERS = {
    "yield": ("is_suspected and not is_open and is_present", "is_suspected and not is_open"),
    "unsuspected_proven": ("not is_suspected and not is_open and is_present", "not is_suspected and not is_open"),
    "missed_injuries": ("is_unlikely and is_present", "is_unlikely"),
}
"""What is counted, and out of what, of the rows of `monitored_exams` and of `stated_outcomes`."""


def _counts() -> str:
    parts = [_count(name, part, whole, "monitored_exams") for name, (part, whole) in _OF_EXAMS.items()]
    parts += [_count(name, part, whole, "stated_outcomes") for name, (part, whole) in _OF_ANSWERS.items()]
    parts.append(
        "select period, g_site, 'equivocal' as indicator, sum(equivocal) as numerator, sum(done) as denominator "
        "from monitored_exams where is_seen group by all"
    )
    return (
        "select period, label as site, indicator, numerator::bigint as numerator, denominator::bigint as denominator "
        f"from ({' union all '.join(parts)}) join group_labels on group_by = 'site' and code = g_site "
        "order by period, site, indicator"
    )


def _count(name: str, part: str, whole: str | None, source: str) -> str:
    denominator = f"count(*) filter ({whole})" if whole else "null::bigint"
    return (
        f"select period, g_site, '{name}' as indicator, count(*) filter ({part}) as numerator, "
        f"{denominator} as denominator from {source} group by all"
    )


_DAYS = (
    "select period, label as site, days::bigint as days, count(*) as exams from monitored_exams "
    "join group_labels on group_by = 'site' and code = g_site "
    "where is_index and is_verified and not is_open and days is not null group by all order by all"
)
_STATED = (
    "select period, condition, probability, is_present, count(*) as n from stated_outcomes "
    "where not is_open and probability is not null "
    "group by period, place, condition, probability, is_present order by period, place, probability, is_present"
)
_SITES = (
    "select label as site, count(distinct examiner_id) as examiners from used_exams join cohort_exams using (exam_id) "
    "join group_labels on group_by = 'site' and code = g_site group by label order by label"
)
