"""Everything that must hold of a registry file, asked of the file itself; reads every block, changes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.rules import quoted
from examtally.registry.audit_log import (
    BOOKKEEPING,
    SHORTEST_SEAL,
    broken_entry,
    content_sum,
    entries,
    head,
    is_in_log,
    sums,
)
from examtally.registry.bookkeeping import waiting_tables
from examtally.registry.content import CONTENT
from examtally.registry.faults import unreadable
from examtally.registry.lock_wait import LockWait
from examtally.registry.registry import open_registry

_DAMAGED = "a part of the file cannot be read as it was written; restore the registry from a copy"


@dataclass(frozen=True)
class Verification:
    """`faults` are plain lines, none where all is well; `rows` and `batches` say what was looked at."""

    faults: tuple[str, ...]
    rows: int
    batches: int
    log_entries: int
    log_head: str


def verify(registry: Path | str, *, expect: str | None = None, lock_wait: LockWait | None = None) -> Verification:
    """Check blocks, fingerprints, keys, references, accounts and log of a registry, opened for reading.

    `expect` is a seal noted earlier, outside the file: the log must hold it, so that a registry whose log was cut short
    or written anew is told as well.

    Raises RegistryError where it cannot be opened at all.

        et.verify("registry.duckdb").faults  # empty where all is well
    """
    path, contract = Path(registry), load_contract()
    try:
        with open_registry(path, contract=contract, lock_wait=lock_wait) as opened:
            con = opened.con
            faults = tuple(_unreadable(con))
            if faults:
                return Verification(faults, 0, 0, 0, "")
            faults = (*_altered(con, contract), *_log(con, expect), *_accounts(con), *_keys(con, contract))
            ((rows, batches),) = con.execute(
                'select (select coalesce(sum("rows"), 0) from found where part <> ?), '
                "(select count(*) from reg.batches)",
                [BOOKKEEPING],
            ).fetchall()
            return Verification(faults, int(rows), int(batches), len(entries(con)), head(con))
    except duckdb.Error:
        raise unreadable(path) from None


def _unreadable(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """Reading every column makes DuckDB hold each block against its checksum."""
    tables = con.execute(
        "select schema_name, table_name from duckdb_tables() where database_name = 'reg' order by all"
    ).fetchall()
    for schema, table in tables:
        try:
            con.execute(f"select count(*), sum(hash(t)) from reg.{quoted(schema)}.{quoted(table)} t").fetchall()
        except duckdb.Error:
            yield f"{table}: {_DAMAGED}"
            return  # after damage the database answers no further question


def _altered(con: duckdb.DuckDBPyConnection, contract: Contract) -> Iterator[str]:
    """Rows that are not those the log closed with."""
    columns = 'part, "table", batch_no, "rows", total'
    con.execute(f"create temp table found as {sums(con, contract)}")
    kept = f"select {columns} from reg.fingerprints where part <> '{CONTENT}'"
    differing = con.execute(
        f'select distinct part, "table", batch_no from ((select {columns} from found except {kept}) '
        f"union all ({kept} except select {columns} from found)) order by all"
    ).fetchall()
    for part, table, batch_no in differing:
        of = f", batch {batch_no}" if batch_no else ""
        yield f"{table} ({part}){of}: the rows are not those that were stored; restore from a copy"


def _log(con: duckdb.DuckDBPyConnection, expect: str | None) -> Iterator[str]:
    log = entries(con)
    if expect is not None and not is_in_log(log, expect):
        yield (
            f"log: does not hold the seal that is expected; look at its digits ({SHORTEST_SEAL} or more), else entries "
            "were removed or the log was written anew: restore from a copy"
        )
    broken = broken_entry(log)
    if broken is not None:
        yield f"log, entry {broken}: does not follow from the entry before it; the log was changed"
    elif log and f'"content": "{content_sum(con)}"' not in log[-1].details:
        yield f"log, entry {len(log)}: the fingerprints kept are not those it closed with; they were changed"


def _accounts(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """Every line that a batch stored, or keeps waiting, is there, replaced or erased."""
    off = con.execute(
        """
        with counted as (
            select batch_no, "table", sum(stored + waiting) as said, 0 as found from reg.batch_tables group by all
            union all select batch_no, "table", 0, "rows" from found where part <> $part
            union all select batch_no, "table", 0, lines from reg.erased
        )
        select batch_no, "table" from counted group by all having sum(said) <> sum(found) order by all
        """,
        {"part": BOOKKEEPING},
    ).fetchall()
    for batch_no, table in off:
        yield f"{table}, batch {batch_no}: what it stored and what is there do not add up; restore from a copy"


def _keys(con: duckdb.DuckDBPyConnection, contract: Contract) -> Iterator[str]:
    waiting = waiting_tables(contract)
    for table in contract.tables.values():
        name, keys = quoted(table.name), ", ".join(map(quoted, table.primary_key))
        rows = f"select {keys} from reg.{name}"
        if table in waiting:
            rows += f" union all select {keys} from reg.waiting.{name}"
        repeated = con.execute(f"select 1 from ({rows}) group by {keys} having count(*) > 1 limit 1").fetchall()
        if repeated:
            yield f"{table.name}: a key is stored twice; restore from a copy"
        if table in waiting:
            exams = "exam_id in (select exam_id from reg.exams)"
            if con.execute(f"select 1 from reg.{name} where not ({exams}) limit 1").fetchall():
                yield f"{table.name}: a line refers to an exam that is not there; restore from a copy"
            is_one = "(select count(distinct joint) from reg.exams) = 1"  # else its codes may be of another joint
            if con.execute(f"select 1 from reg.waiting.{name} where {exams} and {is_one} limit 1").fetchall():
                yield f"{table.name}: a line waits for an exam that is there; restore from a copy"
