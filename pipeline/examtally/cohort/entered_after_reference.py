"""What stood in the records before the answer was out: an amendment after the episode's reference is not used.

The first reference of an episode is that of the earliest batch that brought one, whatever it speaks of. Of an exam, a
finding or an impression the last version that came no later than it is used; where even the first came later, the first
version is. An exam that was moved to another episode answers to the earlier of the two references.

Leaves the temporary views `used_exams` (with `record`, a number for each), `used_findings`, `used_impressions` and, as
they are, `joint_references`, `used_references` and `used_history`: all of one joint, and nothing else of the cohort
reads those records.
"""

from __future__ import annotations

from collections.abc import Collection

from examtally.contracts.records.engine import Engine
from examtally.contracts.records.rules import literal, quoted

AMENDABLE = {
    "exams": ("exam_id",),
    "findings": ("exam_id", "maneuver"),
    "impressions": ("exam_id", "condition", "stage"),
}
_NEVER = 2**31 - 1


def write_used(con: Engine, joint: str) -> None:
    """Make the views of the records of a joint; where nothing was amended they are the records themselves."""
    of_joint = f"joint = {literal(joint)}"
    of_exam = f"exam_id in (select exam_id from reg.exams where {of_joint})"
    replaced = _replaced(con)
    _write_answered(con, of_joint, replaced)
    for table, keys in AMENDABLE.items():
        names = ", ".join(keys)
        _write_chosen(con, table, names, has_versions=table in replaced)
        number = ", rowid as record" if table == "exams" else ""
        used = f"select *{number} from reg.{table}"
        if table in replaced:
            used += f" where ({names}) not in (select ({names}) from used_versions_{table}) union all by name "
            used += f"select * from used_versions_{table}"
            used += f" join (select {names}, rowid as record from reg.{table}) using ({names})" if number else ""
        which = of_joint if table == "exams" else of_exam
        con.execute(f"create temp view used_{table} as select * from ({used}) where {which}")
    con.execute(f'create temp view joint_references as select * from reg."references" where {of_joint}')
    con.execute("create temp view used_references as from joint_references")
    con.execute(f"create temp view used_history as select * from reg.history where {of_exam}")


def amended_late(table: str) -> str:
    """SQL source of the rows whose newest version came after the reference and is not used."""
    keys = ", ".join(AMENDABLE[table])
    of_joint = "exam_id in (select exam_id from used_exams)"
    return (
        f"(from used_versions_{table} c join reg.{table} k using ({keys}) "
        f"where c.batch_no <> k.batch_no and {of_joint})"
    )


def _replaced(con: Engine) -> frozenset[str]:
    """The tables of which the registry keeps a replaced version; one in memory may keep none at all."""
    found = "select 1 from duckdb_tables() where database_name = 'reg' and schema_name = 'superseded' limit 1"
    if not con.execute(found).fetchall():
        return frozenset()
    asked = [
        f"(select '{table}' as replaced from reg.superseded.{quoted(table)} limit 1)"
        for table in (*AMENDABLE, "references")
    ]
    return frozenset(table for (table,) in con.execute(" union all ".join(asked)).fetchall())


def _write_answered(con: Engine, of_joint: str, replaced: Collection[str]) -> None:
    """Write `first_answers` (exam_id, answered_no): the batch of the first reference of any episode the exam was of."""
    episode = "participant_id, side, episode"
    exams = f"select exam_id, {episode} from reg.exams where {of_joint}"
    references = f'select {episode}, batch_no from reg."references" where {of_joint}'
    if "exams" in replaced:
        exams += f" union all select exam_id, {episode} from reg.superseded.exams where {of_joint}"
    if "references" in replaced:
        references += f' union all select {episode}, batch_no from reg.superseded."references" where {of_joint}'
    con.execute(
        f"create temp table first_answers as select exam_id, min(answered_no) as answered_no from ({exams}) join "
        f"(select {episode}, min(batch_no) as answered_no from ({references}) group by all) using ({episode}) "
        "group by exam_id"
    )


def _write_chosen(con: Engine, table: str, keys: str, *, has_versions: bool) -> None:
    """Write `used_versions_<table>`: of every record with more than one version, the one that is used."""
    if not has_versions:
        con.execute(f"create temp table used_versions_{table} as from reg.{table} limit 0")
        return
    con.execute(
        f"""
        create temp table used_versions_{table} as
        with versions as (
            select * exclude (replaced_by) from reg.superseded.{table}
            union all by name
            select * from reg.{table} where ({keys}) in (select ({keys}) from reg.superseded.{table})
        )
        select versions.* from versions left join first_answers using (exam_id)
        qualify row_number() over (
            partition by {keys}
            order by case when batch_no <= coalesce(answered_no, {_NEVER}) then -batch_no else batch_no end
        ) = 1
        """
    )
