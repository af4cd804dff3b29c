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


def hold_differing(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks) -> None:
    """Hold back lines of one key that differ; list the others' repeats as twins."""
    table = staged.table
    con.execute(f"create temp table {duplicate_keys(table)} (rid bigint)")
    keys = [quoted(name) for name in table.primary_key]
    digest = f"hash({', '.join(keys)})"
    has_key = " and ".join(f"{key} is not null" for key in keys)
    con.execute(
        f"create or replace temp table repeated as select digest from (select {digest} as digest from {staged.view} "
        f"where {has_key}) group by digest having count(*) > 1"
    )
    if con.execute("select count(*) from repeated").fetchall() == [(0,)]:
        return
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
