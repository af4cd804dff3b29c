"""The fingerprint of the records: by table the number of rows and the order-free sum of an md5 of each.

It is the same for equal records, whatever their order, their batches or the version of the database. A digest of every
row costs more than an analysis, so its sum is kept by table and batch when a large batch is sealed. What is kept counts
only where the cheaper sums of DuckDB's own hash, kept beside it, are still those of the rows.
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


_LARGE = 250_000
"""Rows of a batch whose sums are kept; those of a smaller one are soon made."""


def content_fingerprint(con: duckdb.DuckDBPyConnection, contract: Contract, schema: str = "reg") -> str:
    """Return 64 hexadecimal digits over the typed records in `schema`; batches and held-back lines play no part.

    Columns that `contract` does not declare count by name where they are filled, and the joint where it is another, so
    that records of one joint have the fingerprint that they had in a registry of one joint.
    """
    return _digest((table.name, *_summed(con, table, schema)) for table in contract.tables.values())


def kept_fingerprint(con: duckdb.DuckDBPyConnection, stored: str) -> str | None:
    """Return that of the records in `reg` by the sums that are kept, None where none are, or not those of the rows.

    `stored` is SQL for table, batch_no, rows and the sum of hashes of the records as they are. Rows of batches without
    sums are digested.
    """
    kept = con.execute(
        'select batch_no, "table", "rows", total from reg.fingerprints where part = ?', [CONTENT]
    ).fetchall()
    if not kept:
        return None
    batches = f"({', '.join(map(str, sorted({number for number, *_ in kept})))})"
    held = f'select "table", batch_no, "rows"{{}} from reg.fingerprints where part = {{}} and batch_no in {batches}'
    hashed, digested = held.format(", total", "'stored'"), held.format("", literal(CONTENT))
    ((is_so,),) = con.execute(
        f"""
        with found as materialized (from ({stored}) where batch_no in {batches}),
            counted as (select "table", batch_no, "rows" from found)
        select not exists ((from found) except ({hashed})) and not exists (({hashed}) except (from found))
            and not exists ((from counted) except ({digested})) and not exists (({digested}) except (from counted))
        """
    ).fetchall()
    if not is_so:
        return None

    def summed() -> Iterator[tuple[str, int, int]]:
        for table in load_contract().tables.values():
            rows, total = _summed(con, table, "reg", f"{BATCH_COLUMN} not in {batches}")
            own = [(int(n), int(found)) for _, name, n, found in kept if name == table.name]
            yield table.name, rows + sum(n for n, _ in own), total + sum(found for _, found in own)

    return _digest(summed())


def keep_content(con: duckdb.DuckDBPyConnection) -> None:
    """Keep the sums of digests of every large batch of `reg` that has none; its hashes must be up to date."""
    lacking = con.execute(
        "select batch_no from reg.fingerprints where part = 'stored' group by batch_no having sum(\"rows\") >= ? "
        "except select batch_no from reg.fingerprints where part = ? order by batch_no",
        [_LARGE, CONTENT],
    ).fetchall()
    if not lacking:
        return
    batches = ", ".join(str(number) for (number,) in lacking)
    for table in load_contract().tables.values():
        con.execute(
            f"insert into reg.fingerprints select {literal(CONTENT)}, {literal(table.name)}, {BATCH_COLUMN}, count(*), "
            f"cast(sum({_number(con, table, 'reg')}) as varchar) from {_name(table, 'reg')} "
            f"where {BATCH_COLUMN} in ({batches}) group by {BATCH_COLUMN}"
        )


def _summed(con: duckdb.DuckDBPyConnection, table: Table, schema: str, which: str = "true") -> tuple[int, int]:
    """Rows of a table and the sum of their digests."""
    total = f"coalesce(sum({_number(con, table, schema)}), 0)"
    ((rows, found),) = con.execute(f"select count(*), {total} from {_name(table, schema)} where {which}").fetchall()
    return int(rows), int(found)


def _digest(summed: Iterable[tuple[str, int, int]]) -> str:
    digest = hashlib.sha256()
    for table, rows, total in summed:
        digest.update(f"{table}:{rows}:{total}\n".encode())
    return digest.hexdigest()


def _name(table: Table, schema: str) -> str:
    return f"{schema}.{quoted(table.name)}"


def _number(con: duckdb.DuckDBPyConnection, table: Table, schema: str) -> str:
    """SQL for the digest of a row as a number; a blank is told from every text by its own mark.

    `concat` leaves out what is NULL: a further column that is not filled.
    """
    stored = [column for column, *_ in con.execute(f"describe {_name(table, schema)}").fetchall()]
    always = [column for column in table.names if column != JOINT]
    cells = [f"coalesce(cast({quoted(column)} as varchar), chr(30))" for column in always]
    filled = {column: f"cast({quoted(column)} as varchar)" for column in sorted({*stored} - {*always, BATCH_COLUMN})}
    if JOINT in filled:
        filled[JOINT] = f"nullif({JOINT}, {literal(str(table.field(JOINT).default))})"
    further = "".join(f", chr(31) || {literal(column + '=')} || {text}" for column, text in filled.items())
    line = f"concat({', chr(31), '.join(cells)}{further})"
    return f"(md5_number({line}) >> 64)::ubigint"  # md5_number_lower at half its price
