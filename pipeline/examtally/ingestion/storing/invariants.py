"""What must hold of a registry before a batch is committed, asked of the tables themselves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.ddl import BATCH_COLUMN
from examtally.contracts.records.rules import literal, quoted
from examtally.contracts.records.tables import Table
from examtally.errors import ReconciliationError
from examtally.ingestion.checking.keys import list_repeated
from examtally.ingestion.storing.placing import listed
from examtally.ingestion.storing.report import FileCount
from examtally.registry.bookkeeping import waiting_tables

_ALL = "true"


def row_counts(con: duckdb.DuckDBPyConnection, contract: Contract) -> dict[str, int]:
    """Return the rows of every record table, waiting ones included."""
    sources = [(name, f"reg.{quoted(name)}") for name in contract.tables]
    sources += [(table.name, f"reg.waiting.{quoted(table.name)}") for table in waiting_tables(contract)]
    counts = " union all ".join(f"select {literal(name)}, count(*) from {source}" for name, source in sources)
    found = Counter[str]()
    for name, rows in con.execute(counts).fetchall():
        found[name] += rows
    return dict(found)


def check_invariants(
    con: duckdb.DuckDBPyConnection,
    contract: Contract,
    tables: Iterable[str],
    batch_no: int,
    touched: Collection[int],
    before: Mapping[str, int],
    files: Iterable[FileCount],
    replaced: Mapping[str, int],
) -> None:
    """Raise ReconciliationError where the tables do not hold what the account of the batch says, or a key twice.

    `touched` are the batches whose rows this one adds, replaces or releases: no other row can have come to break a
    rule; `verify` looks at every row. `replaced` counts the rows of each table that the batch amends; their earlier
    version is kept elsewhere.
    """
    after = row_counts(con, contract)
    changed = f"{BATCH_COLUMN} in ({', '.join(map(str, sorted(touched)))})"
    if _count(con, f"select 1 from reg.batches where not {changed}") == 0:
        changed = _ALL
    for name, table in contract.tables.items():
        added = sum(file.stored + file.waiting for file in files if file.table == name)
        if after[name] != before[name] + added - replaced.get(name, 0):
            raise ReconciliationError(
                f"{name}: {after[name] - before[name]} rows came, {added} were counted; nothing was stored"
            )
        if name in tables and _has_repeated_key(con, contract, table, changed):
            raise ReconciliationError(f"{name}: a key would be stored twice; nothing was stored")
        if after[name]:
            _check_references(con, table, batch_no, changed, after)


def _everything(contract: Contract, table: Table, which: str = _ALL) -> str:
    keys = listed(table.primary_key)
    stored = f"select {keys} from reg.{quoted(table.name)} where {which}"
    return (
        f"{stored} union all select {keys} from reg.waiting.{quoted(table.name)} where {which}"
        if table in waiting_tables(contract)
        else stored
    )


def _count(con: duckdb.DuckDBPyConnection, query: str) -> int:
    ((rows,),) = con.execute(f"select count(*) from ({query})").fetchall()
    return int(rows)


def _has_repeated_key(con: duckdb.DuckDBPyConnection, contract: Contract, table: Table, changed: str) -> bool:
    """Keys of changed rows against all, by hash first; only those whose hash repeats are compared themselves."""
    keys, rows = listed(table.primary_key), _everything(contract, table)
    digests = f"select hash({keys}) as digest from ({rows})"
    if changed != _ALL:
        digests += f" where digest in (select hash({keys}) from ({_everything(contract, table, changed)}))"
    if list_repeated(con, digests) == 0:
        return False
    candidates = f"select {keys} from ({rows}) where hash({keys}) in (from repeated)"
    return _count(con, f"select 1 from ({candidates}) group by {keys} having count(*) > 1") > 0


def _check_references(
    con: duckdb.DuckDBPyConnection, table: Table, batch_no: int, changed: str, rows_of: Mapping[str, int]
) -> None:
    """Lines that would wait are never stored without what they wait for; the others refer to what this batch knows."""
    for key in table.foreign_keys:
        target = f"select {listed(key.target_columns)} from reg.{quoted(key.table)}"
        rows = f"select {listed(key.columns)} from reg.{quoted(table.name)}"
        if key.unknown == "hold":
            if not rows_of[key.table]:
                continue
            rows += f" where {BATCH_COLUMN} = {batch_no}"
        else:
            rows += f" where {changed}"
        if _count(con, f"select distinct * from ({rows}) except ({target})"):
            raise ReconciliationError(f"{table.name}: a line would refer to no line of {key.table}; nothing was stored")
