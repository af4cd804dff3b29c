"""The fingerprint of the records: by table the number of rows and the order-free sum of an md5 of each.

It is the same for equal records, whatever their order, their batches or the version of the database. A digest of every
row costs more than an analysis, so its sum is kept by table and batch when a batch is sealed. What is kept counts only
where the cheaper sums of DuckDB's own hash, kept beside it, are still those of the rows.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator

import duckdb

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.ddl import BATCH_COLUMN
from examtally.contracts.records.rules import literal, quoted
from examtally.contracts.records.tables import JOINT, Table

CONTENT = "content"
"""The part of `fingerprints` that holds the sums of digests."""


def content_fingerprint(con: duckdb.DuckDBPyConnection, contract: Contract, schema: str = "reg") -> str:
    """Return 64 hexadecimal digits over the typed records in `schema`; batches and held-back lines play no part.

    Columns that `contract` does not declare count by name where they are filled, and the joint where it is another, so
    that records of one joint have the fingerprint that they had in a registry of one joint.
    """

    def summed() -> Iterator[tuple[str, int, int]]:
        for table in contract.tables.values():
            total = f"coalesce(sum({_number(con, table, schema)}), 0)"
            ((rows, found),) = con.execute(f"select count(*), {total} from {_name(table, schema)}").fetchall()
            yield table.name, int(rows), int(found)

    return _digest(summed())


def kept_fingerprint(con: duckdb.DuckDBPyConnection, stored: str) -> str | None:
    """Return that of the records in `reg` by the sums that are kept, None where they are not those of the rows.

    `stored` is SQL for table, batch_no, rows and the sum of hashes of the records as they are.
    """
    kept = 'select "table", batch_no, "rows"{} from reg.fingerprints where part = {}'
    held, digested = kept.format(", total", "'stored'"), kept.format("", literal(CONTENT))
    ((is_so,),) = con.execute(
        f"""
        with found as materialized ({stored}), counted as (select "table", batch_no, "rows" from found)
        select not exists ((from found) except ({held})) and not exists (({held}) except (from found))
            and not exists ((from counted) except ({digested})) and not exists (({digested}) except (from counted))
        """
    ).fetchall()
    if not is_so:
        return None
    sums = {
        table: (int(rows), int(total))
        for table, rows, total in con.execute(
            'select "table", sum("rows"), sum(total::hugeint) from reg.fingerprints where part = ? group by all',
            [CONTENT],
        ).fetchall()
    }
    return _digest((table, *sums.get(table, (0, 0))) for table in load_contract().tables)


def totals(con: duckdb.DuckDBPyConnection, which: str) -> str:
    """SQL for part, table, batch_no, rows and the sum of digests of the records in `reg` that `which` is true of."""
    return " union all ".join(
        f'select {literal(CONTENT)} as part, {literal(table.name)} as "table", {BATCH_COLUMN}, count(*) as "rows", '
        f"cast(sum({_number(con, table, 'reg')}) as varchar) as total from {_name(table, 'reg')} where {which} "
        f"group by {BATCH_COLUMN}"
        for table in load_contract().tables.values()
    )


def _digest(summed: Iterable[tuple[str, int, int]]) -> str:
    digest = hashlib.sha256()
    for table, rows, total in summed:
        digest.update(f"{table}:{rows}:{total}\n".encode())
    return digest.hexdigest()


def _name(table: Table, schema: str) -> str:
    return f"{schema}.{quoted(table.name)}"


def _number(con: duckdb.DuckDBPyConnection, table: Table, schema: str) -> str:
    """SQL for the digest of a row as a number; a blank is told from every text by its own mark."""
    stored = [column for column, *_ in con.execute(f"describe {_name(table, schema)}").fetchall()]
    always = [column for column in table.names if column != JOINT]
    cells = [f"coalesce(cast({quoted(column)} as varchar), chr(30))" for column in always]
    filled = {column: f"cast({quoted(column)} as varchar)" for column in sorted({*stored} - {*always, BATCH_COLUMN})}
    if JOINT in filled:
        filled[JOINT] = f"nullif({JOINT}, {literal(str(table.field(JOINT).default))})"
    cells += [f"{literal(column + '=')} || {text}" for column, text in filled.items()]
    return f"(md5_number(concat_ws(chr(31), {', '.join(cells)})) >> 64)::ubigint"  # md5_number_lower at half its price
