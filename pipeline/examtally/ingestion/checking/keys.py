"""Lines of one batch that share a key: identical ones count once, differing ones are all held back.

`twins_<table>` lists every passing line that repeats an earlier passing one.
"""

from __future__ import annotations

import duckdb

from examtally.contracts.records.rules import quoted
from examtally.contracts.records.tables import Field, Table
from examtally.ingestion.checking.gate import Checks, held
from examtally.ingestion.reading.staging import Staged


def duplicate_keys(table: Table) -> str:
    """The temporary table of the repeated lines of `table`."""
    return quoted(f"twins_{table.name}")


def same_text(field: Field) -> str:
    """SQL for the text of a cell in one form: `01` and `1`, and a blank and its default, say the same."""
    column = quoted(field.name)
    text = column
    if field.type != "string":
        text = f"coalesce(cast(try_cast({column} as {field.sql_type}) as varchar), {column})"
    return text if field.default is None else f"coalesce({text}, '{field.default}')"


def list_repeated(con: duckdb.DuckDBPyConnection, digests: str) -> int:
    """Fill `repeated` with what stands more than once in the column `digest` of a query; return how many that are."""
    ((found,),) = con.execute(  # a third faster than to group and count
        f"create or replace temp table repeated as select digest from ({digests}) "
        "qualify row_number() over (partition by digest) = 2"
    ).fetchall()
    return int(found)


def hold_differing(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks, exams: Staged | None = None) -> None:
    """Hold back lines of one key that differ; list the others' repeats as twins.

    Where a table declares what settles a difference of lines that come again, its lines are first brought to one; the
    days of `exams` tell how far the ages of one person may lie apart.
    """
    table = staged.table
    con.execute(f"create temp table {duplicate_keys(table)} (rid bigint)")
    keys = [quoted(name) for name in table.primary_key]
    digest = f"hash({', '.join(keys)})"
    has_key = " and ".join(f"{key} is not null" for key in keys)
    if list_repeated(con, f"select {digest} as digest from {staged.view} where {has_key}") == 0:
        return
    if any(field.again for field in table.fields):
        _bring_to_one(con, staged, digest, exams)
    cells = ", ".join(f"coalesce({same_text(field)}, chr(30))" for field in table.fields)
    con.execute(
        f"""create or replace temp table alike as
        with lines as (
            select rid, {", ".join(keys)}, concat_ws(chr(31), {cells}) as content,
                rid not in (select rid from {held(table)}) as passes
            from {staged.view} where {has_key} and {digest} in (select digest from repeated)
        )
        select rid, passes, min(content) over one_key <> max(content) over one_key as differs,
            min(rid) filter (passes) over one_key as first_rid
        from lines window one_key as (partition by {", ".join(keys)})"""
    )
    con.execute(f"insert into {held(table)} select rid, ? from alike where differs", [checks.number(checks.key)])
    con.execute(
        f"insert into {duplicate_keys(table)} select rid from alike where not differs and passes and rid <> first_rid"
    )


def _bring_to_one(con: duckdb.DuckDBPyConnection, staged: Staged, digest: str, exams: Staged | None) -> None:
    """Write into lines of one key that all pass what they say together, if only declared rules are at odds.

    Of a column the first line that says something counts, of an age the lowest.
    """
    table = staged.table
    keys = ", ".join(map(quoted, table.primary_key))
    others = [field for field in table.fields if field.name not in table.primary_key]
    day = "try_cast(exam_day as integer)"
    days = "select null as participant_id, 0 as span"
    if exams is not None:
        span = f"(max({day}) - min({day})) / 365.25"
        days = f"select participant_id, {span} as span from {exams.view} group by participant_id"
    agreed = " and ".join(map(_is_agreed, others))
    said = ", ".join(f"{_said(field)} as {quoted(field.name)}" for field in others)
    con.execute(
        f"""create or replace temp table agreed as select * from (
            select {keys}, {said}, {agreed} as is_agreed, bool_and(rid not in (select rid from {held(table)})) as passes
            from (select * from {staged.view} where {digest} in (select digest from repeated))
            left join ({days}) using (participant_id) group by {keys}
        ) where is_agreed and passes"""
    )
    text = quoted(f"text_{table.name}")
    supplied = [field.name for field in others if field.name in staged.supplied]
    values = ", ".join(f"{quoted(name)} = agreed.{quoted(name)}" for name in supplied)
    if values:
        same = " and ".join(f"{text}.{name} = agreed.{name}" for name in map(quoted, table.primary_key))
        con.execute(f"update {text} set {values} from agreed where {same}")


def _is_agreed(field: Field) -> str:
    """SQL of whether the lines of one key are at odds in a column by nothing that its rule does not settle."""
    column = quoted(field.name)
    if field.again == "first":
        return "true"
    if field.again == "clock":
        number = f"try_cast({column} as integer)"
        is_number = f"count({number}) = count({column})"
        return f"({is_number} and coalesce(max({number}) - min({number}) <= coalesce(max(span), 0) + 1, true))"
    return f"count(distinct {_known(field)}) <= 1"


def _said(field: Field) -> str:
    column = quoted(field.name)
    if field.again == "clock":
        return f"cast(min(try_cast({column} as integer)) as varchar)"
    return f"coalesce(arg_min({_known(field)}, rid) filter ({_known(field)} is not null), any_value({column}))"


def _known(field: Field) -> str:
    column = quoted(field.name)
    return f"nullif({column}, 'unknown')" if "unknown" in (field.enum or ()) else column
