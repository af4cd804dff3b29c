"""The log of who did what: each entry carries the hash of the one before and the sum of what the registry then held.

Fingerprints are kept by part (stored, waiting, superseded), record table and the batch that brought the rows, so that
a batch renews only its own. They tell damage and changes by another program; whoever rewrites both records and log can
still deceive, so the newest hash is worth keeping elsewhere.

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

PARTS = {"stored": "main", "waiting": "waiting", "superseded": "superseded"}
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
    rows = con.execute("select schema_name, table_name from duckdb_tables() where database_name = 'reg'").fetchall()
    for part, schema in PARTS.items():
        for table in contract.tables:
            if (schema, table) in rows:
                yield part, table, f"reg.{schema}.{quoted(table)}"


def sums(con: duckdb.DuckDBPyConnection, contract: Contract, batches: Collection[int] | None = None) -> str:
    """SQL for part, table, batch_no, rows and the order-free sum of all that is stored, or of these batches."""
    which = "" if batches is None else f"where batch_no in ({', '.join(map(str, sorted(batches)))}) "
    return " union all ".join(
        f'select {literal(part)} as part, {literal(table)} as "table", batch_no, count(*) as "rows", '
        f"cast(sum(hash(t)) as varchar) as total from {name} t {which}group by batch_no"
        for part, table, name in record_tables(con, contract)
    )


def seal(con: duckdb.DuckDBPyConnection, contract: Contract, batches: Collection[int] | None = None) -> None:
    """Renew the fingerprints of the rows that these batches brought, or of every row."""
    which = "true" if batches is None else f"batch_no in ({', '.join(map(str, sorted(batches)))})"
    con.execute(f"delete from reg.fingerprints where {which}")
    con.execute(f"insert into reg.fingerprints {sums(con, contract, batches)}")


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
