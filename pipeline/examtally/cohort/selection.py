"""What a study asks of the cohort: a population, index tests of its own, and what counts as its condition.

Every value of a study goes to DuckDB as a bound parameter; names of tables and columns come from the contract. Leaves
`population_filters`, findings of the index tests beside the recorded ones in `used_findings`, and the chosen
severities in `used_references`.
"""

from __future__ import annotations

from collections.abc import Mapping

from examtally.cohort.groupings import EXAMS
from examtally.cohort.positivity import write_index_tests
from examtally.contracts.records.engine import Engine
from examtally.contracts.records.rules import quoted
from examtally.contracts.study.parts import Filter, Selection, Target
from examtally.contracts.study.selection import ROW_OF

Sql = tuple[str, tuple[object, ...]]
"""SQL text and its parameters, in order."""

_COMPARED = {
    "equals": "{} = ?",
    "not_equals": "{} <> ?",
    "at_least": "{} >= ?",
    "at_most": "{} <= ?",
    "between": "{} between ? and ?",
}
_SOURCES = {"exams": "e", "examiners": "x", "participants": "p"}
_ROWS = {
    "history": ("used_history r where r.exam_id = e.exam_id"),
    "findings": ("used_findings r where r.exam_id = e.exam_id"),
    "impressions": ("used_impressions r where r.exam_id = e.exam_id"),
    "references": (
        "used_references r where (r.participant_id, r.side, r.episode) = (e.participant_id, e.side, e.episode)"
    ),
}


def write_selection(con: Engine, selection: Selection | None) -> str:
    """Apply what a study asks before exams are chosen; return SQL over `e` for whether an exam is in the population."""
    if selection is None:
        return "true"
    _write_population(con, selection.population)
    write_index_tests(con, selection.tests)
    if selection.target is not None and selection.target.severity:
        _write_severity(con, selection.target)
    if selection.outcomes_dealt_anew:
        _deal_outcomes_anew(con)
    return "e.exam_id in (select exam_id from population_filters where failed = 0)"


def settle_indeterminate(con: Engine, selection: Selection | None, bits: Mapping[str, int]) -> None:
    """Let an indeterminate reference of the target condition count as the study says; `bits` are the conditions'."""
    if selection is None or selection.target is None or selection.indeterminate == "excluded":
        return
    bit = bits[selection.target.condition]
    column = {"present": "present_bits", "absent": "absent_bits"}[selection.indeterminate]
    con.execute(
        f"update cohort_exams set {column} = {column} | ?::ubigint where (inside_bits & ?::ubigint) <> 0 "
        "and ((present_bits | absent_bits) & ?::ubigint) = 0",
        [bit, bit, bit],
    )


def read_population(con: Engine) -> dict[int, tuple[int, int]]:
    """Return exams and participants by the number of the first filter they fail, 0 for those who pass all."""
    rows = con.sql(
        "select failed, count(*), count(distinct participant_id) "
        "from population_filters join used_exams using (exam_id) group by failed order by failed"
    ).fetchall()
    return {failed: (exams, participants) for failed, exams, participants in rows}


def _write_population(con: Engine, filters: tuple[Filter, ...]) -> None:
    asked = [_kept(one) for one in filters]
    whens = " ".join(f"when not ({sql}) then {place}" for place, (sql, _) in enumerate(asked, 1))
    failed = f"case {whens} else 0 end" if whens else "0"
    con.execute(
        f"create temp table population_filters as select e.exam_id, {failed} as failed from {EXAMS}",
        [value for _, values in asked for value in values],
    )


def _kept(one: Filter) -> Sql:
    """A filter as a condition that is never null."""
    if one.table in _ROWS:
        return _of_rows(one)
    value = f"{_SOURCES[one.table]}.{quoted(one.column)}"
    if (one.table, one.column) == ("exams", "examiner_role"):
        value = "coalesce(e.examiner_role, x.role)"
    if not one.values:
        return f"{value} is {'not ' if one.comparison == 'recorded' else ''}null", ()
    compared, values = _compared(one, value)
    return f"coalesce({compared}, ?)", (*values, one.keeps_blank)


def _of_rows(one: Filter) -> Sql:
    """A filter on the row of an exam, or the rows of its episode, that speak of one item, maneuver or condition."""
    rows = f"{_ROWS[one.table]} and r.{quoted(ROW_OF[one.table])} = ?"
    named: tuple[object, ...] = (one.of,)
    if one.stage is not None:
        rows, named = f"{rows} and r.stage = ?", (*named, one.stage)
    value = f"r.{quoted(one.column)}"
    if not one.values:
        is_there = f"exists (select 1 from {rows} and {value} is not null)"
        return is_there if one.comparison == "recorded" else f"not {is_there}", named
    compared, values = _compared(one, value)
    return f"coalesce((select bool_or({compared}) from {rows}), ?)", (*values, *named, one.keeps_blank)


def _compared(one: Filter, value: str) -> Sql:
    if one.comparison in ("one_of", "not_one_of"):
        places = ", ".join("?" * len(one.values))
        return f"{value} {'not ' if one.comparison == 'not_one_of' else ''}in ({places})", one.values
    return _COMPARED[one.comparison].format(value), one.values


def _deal_outcomes_anew(con: Engine) -> None:
    """Give each reading the status and severity of another one of its condition and modality, the same every time."""
    con.execute(
        """
        create temp table dealt_references as
        with placed as (
            select *, row_number() over (own order by reference_id) as place,
                row_number() over (own order by hash(reference_id, condition), reference_id) as dealt
            from used_references window own as (partition by condition, modality)
        )
        select a.* exclude (place, dealt) replace (b.status as status, b.severity as severity)
        from placed a join placed b on a.condition = b.condition and a.modality = b.modality and a.place = b.dealt;
        create or replace temp view used_references as from dealt_references
        """
    )


def _write_severity(con: Engine, target: Target) -> None:
    """A condition of another severity counts as the study says; one without a severity is indeterminate."""
    con.execute("create temp table target_severities (condition varchar, severity varchar, other varchar)")
    other = {"absent": "absent", "excluded": "indeterminate"}[target.other_severity]
    for one in target.severity:
        con.execute("insert into target_severities values (?, ?, ?)", [target.condition, one, other])
    con.execute(
        """
        create or replace temp view used_references as
        select r.* replace (
            case when r.status <> 'present' or r.condition not in (select condition from target_severities)
                    then r.status
                when r.severity is null then 'indeterminate'
                when r.severity in (select severity from target_severities) then 'present'
                else (select any_value(other) from target_severities) end as status
        ) from joint_references r
        """
    )
