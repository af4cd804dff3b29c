"""What the registry kept of its batches, as tables: where the lines went, which rules they broke, what was checked."""

from __future__ import annotations

import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.records.engine import Engine


def read_batches(con: Engine) -> pl.DataFrame:
    """Return one row a batch and record table, its files added up."""
    frame: pl.DataFrame = con.sql(
        """
        select batch_no, "table", sum(lines)::bigint as lines, sum(stored)::bigint as stored,
            sum(unchanged)::bigint as unchanged, sum(conflict)::bigint as conflict, sum(waiting)::bigint as waiting,
            sum(held_back)::bigint as held_back
        from reg.batch_tables group by all order by all
        """
    ).pl()
    return frame


def read_held_back(con: Engine) -> pl.DataFrame:
    """Return how many lines of each batch and record table broke which rule; a line counts under each rule it broke."""
    frame: pl.DataFrame = con.sql(
        """
        select batch_no, "table", "column", rule, kind, count(distinct (file_no, line)) as lines
        from reg.held_back group by all order by all
        """
    ).pl()
    return frame


def read_assumptions(con: Engine) -> pl.DataFrame:
    """Return what mappings took for said though it was not written, with the lines that rest on it."""
    frame: pl.DataFrame = con.sql(
        'select batch_no, "table", assumption, code, lines from reg.assumptions order by all'
    ).pl()
    return frame


def read_intake_checks(con: Engine) -> pl.DataFrame:
    """Return the expectations held against each record table of each batch, its files added up."""
    frame: pl.DataFrame = con.sql(
        """
        select batch_no, "table", rule, expectation, sum("rows")::bigint as "rows", sum(checked)::bigint as checked,
            case when not bool_or(raised) then sum(unexpected)::bigint end as unexpected, bool_or(raised) as raised,
            case when bool_or(raised) then 'check_raised' end as flag,
            case when bool_or(raised) then 'The check itself failed; it says nothing about the data.' end as note
        from reg.intake_checks group by all order by all
        """
    ).pl()
    return frame


def read_waiting(con: Engine, contract: Contract) -> pl.DataFrame:
    """Return how many lines of each record table wait for their exam, and since when, as rows of the cohort summary."""
    waiting = [table.name for table in contract.tables.values() if any(k.unknown == "wait" for k in table.foreign_keys)]
    counts = " union all ".join(
        f"""select 'waiting' as item, '{name}' as "group", count(*) as value, 'lines whose exam has not arrived' as note
        from reg.waiting."{name}" union all
        select 'waiting_since', '{name}', min(batch_no), 'the batch that brought the first of them'
        from reg.waiting."{name}" having count(*) > 0"""
        for name in waiting
    )
    frame: pl.DataFrame = con.sql(f"select * from ({counts}) order by all").pl()
    return frame
