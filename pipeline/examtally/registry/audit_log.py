"""The log of who did what: each entry carries the hash of the one before and the sum of what the registry then held.

Fingerprints are kept by part (stored, waiting, superseded, bookkeeping), table and the batch that brought the rows, so
that a batch renews only its own; what is of no batch stands under batch 0. They tell damage and changes by another
program; whoever rewrites both records and log can still deceive, so the newest hash, the seal, is worth keeping
elsewhere: `verify --expect` holds the registry to it.

They are sums of DuckDB's own hash, eight times as fast as a digest. It may change with DuckDB's minor version: raising
that asks for a migration, which renews them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import literal, quoted
from examtally.registry.content import keep_content
from examtally.registry.workspace import have_rows

BOOKKEEPING = "bookkeeping"
"""The part of all that a registry keeps beside records and log: batches, held lines, checks, withdrawals, operators."""
_SEALS = ("log", "fingerprints")
PARTS = {"stored": "main", "waiting": "waiting", "superseded": "superseded"}
SHORTEST_SEAL = 16
Tables = Mapping[tuple[str, str], bool]
"""Schema and name of the tables of the registry, and whether a table has a column of the batch."""
Named = tuple[str, str, str, str]
"""A table to be summed: part, name, the name to read it by and what is its batch."""
_FIRST = "0" * 64
_COLUMNS = "entry, logged_at, operator, action, batch_no, details, before, hash"


@dataclass(frozen=True)
class Entry:
    """One line of the log. `details` are counts as JSON: never a value of a record, a file name or a path."""

    entry: int
    at: str
    operator: str | None
    action: str
    batch_no: int | None
    details: str
    before: str
    hash: str

    @property
    def seal(self) -> str:
        """The hash that the entry should have."""
        content = [self.entry, self.at, self.operator, self.action, self.batch_no, self.details, self.before]
        return hashlib.sha256(json.dumps(content).encode()).hexdigest()


def record_tables(con: duckdb.DuckDBPyConnection, contract: Contract) -> Iterator[tuple[str, str, str]]:
    """Yield part, record table and the name to read it by, for every table that holds records."""
    return _record_tables(_tables(con), contract)


def _record_tables(tables: Tables, contract: Contract) -> Iterator[tuple[str, str, str]]:
    for part, schema in PARTS.items():
        for table in contract.tables:
            if (schema, table) in tables:
                yield part, table, f"reg.{schema}.{quoted(table)}"


def _tables(con: duckdb.DuckDBPyConnection) -> Tables:
    rows = con.execute(
        "select schema_name, table_name, bool_or(column_name = 'batch_no') from duckdb_columns() "
        "where database_name = 'reg' group by all order by all"
    ).fetchall()
    return {(schema, table): has_batch for schema, table, has_batch in rows}


def sums(con: duckdb.DuckDBPyConnection, contract: Contract, batches: Collection[int] | None = None) -> str:
    """SQL for part, table, batch_no, rows and the order-free sum of all that is stored, or of these batches."""
    return _sums(_sealed(con, contract), batches)


def stored_sums(con: duckdb.DuckDBPyConnection, contract: Contract) -> str:
    """SQL for table, batch_no, rows and the order-free sum of the stored records."""
    named = [(part, table, name, "batch_no") for part, table, name in record_tables(con, contract) if part == "stored"]
    return f"select * exclude (part) from ({_sums(named, None)})"


def seal(con: duckdb.DuckDBPyConnection, contract: Contract, batches: Collection[int] | None = None) -> None:
    """Renew the fingerprints of the rows that these batches brought and of what is of no batch, or of every row."""
    batches = batches if batches is None else {0, *batches}
    con.execute(f"delete from reg.fingerprints where {_of(batches)}")
    _keep_sums(con, _sealed(con, contract), batches)
    keep_content(con)


def seal_bookkeeping(con: duckdb.DuckDBPyConnection, contract: Contract) -> None:
    """Renew the fingerprints of the bookkeeping alone: those of the records are left to tell what was changed."""
    con.execute(f"delete from reg.fingerprints where part = {literal(BOOKKEEPING)}")
    _keep_sums(con, list(_bookkeeping(_tables(con), contract)), None)


def _sealed(con: duckdb.DuckDBPyConnection, contract: Contract) -> list[Named]:
    tables = _tables(con)
    named = [(part, table, name, "batch_no") for part, table, name in _record_tables(tables, contract)]
    return [*named, *_bookkeeping(tables, contract)]


def _keep_sums(con: duckdb.DuckDBPyConnection, named: list[Named], batches: Collection[int] | None) -> None:
    """Insert the sums of those tables that hold rows of the batches: most have none, and a sum takes long to plan."""
    found = have_rows(con, [f"{name} where {_of(batches, batch)}" for _, _, name, batch in named])
    if any(found):
        kept = [one for one, has_rows in zip(named, found, strict=True) if has_rows]
        con.execute(f"insert into reg.fingerprints {_sums(kept, batches)}")


def _sums(named: list[Named], batches: Collection[int] | None) -> str:
    """SELECT of the sums over tables."""
    return " union all ".join(
        f'select {literal(part)} as part, {literal(table)} as "table", {batch} as batch_no, count(*) as "rows", '
        f"cast(sum(hash(t)) as varchar) as total from {name} t "
        f"where {_of(batches, batch)} group by all having count(*) > 0"
        for part, table, name, batch in named
    )


def _of(batches: Collection[int] | None, column: str = "batch_no") -> str:
    return "true" if batches is None else f"{column} in ({', '.join(map(str, sorted(batches)))})"


def _bookkeeping(tables: Tables, contract: Contract) -> Iterator[Named]:
    """Every table that is neither of records nor the log and its fingerprints."""
    for (schema, table), has_batch in tables.items():
        if schema == "main" and table not in _SEALS and table not in contract.tables:
            yield BOOKKEEPING, table, f"reg.{quoted(table)}", "batch_no" if has_batch else "0"


def note(
    con: duckdb.DuckDBPyConnection,
    action: str,
    operator: str | None,
    *,
    batch_no: int | None = None,
    details: Mapping[str, object] | None = None,
) -> Entry:
    """Append an entry; the fingerprints must be up to date."""
    last = next(iter(con.execute(f"select {_COLUMNS} from reg.log order by entry desc limit 1").fetchall()), None)
    number, before = (1, _FIRST) if last is None else (last[0] + 1, last[-1])
    content = json.dumps({**(details or {}), "content": content_sum(con)}, sort_keys=True)
    at = datetime.now(UTC).replace(tzinfo=None).isoformat(timespec="seconds")
    unsealed = Entry(number, at, operator, action, batch_no, content, before, "")
    entry = Entry(number, at, operator, action, batch_no, content, before, unsealed.seal)
    values = [number, at, operator, action, batch_no, content, before, entry.hash]
    con.execute(f"insert into reg.log values ({', '.join('?' * len(values))})", values)
    return entry


def entries(con: duckdb.DuckDBPyConnection) -> tuple[Entry, ...]:
    """Return the log from its first entry on."""
    return tuple(Entry(*row) for row in con.execute(f"select {_COLUMNS} from reg.log order by entry").fetchall())


def head(con: duckdb.DuckDBPyConnection) -> str:
    """Return the hash of the newest entry, all zeros where there is none."""
    return next(
        (last for (last,) in con.execute("select hash from reg.log order by entry desc limit 1").fetchall()), _FIRST
    )


def is_in_log(log: Collection[Entry], seal_said: str) -> bool:
    """Whether the hash of an entry begins with a seal that was noted elsewhere, of 16 digits or more."""
    said = seal_said.strip().lower()
    return len(said) >= SHORTEST_SEAL and any(entry.hash.startswith(said) for entry in log)


def content_sum(con: duckdb.DuckDBPyConnection) -> str:
    """Return one sum over the fingerprints that are kept."""
    rows = con.execute('select part, "table", batch_no, "rows", total from reg.fingerprints order by all').fetchall()
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()


def broken_entry(log: Collection[Entry]) -> int | None:
    """Return the number of the first entry that does not follow from the one before it."""
    before = _FIRST
    for place, entry in enumerate(log, start=1):
        if (entry.entry, entry.before, entry.hash) != (place, before, entry.seal):
            return place
        before = entry.hash
    return None
