"""What a registry keeps beside its records, and how a registry of an older form is brought to the present one.

No path, no file name and no value of a held-back line is kept: a batch is known by its number and its fingerprints.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.ddl import BATCH_COLUMN, REPLACED_BY, create_statement
from examtally.contracts.records.rules import quoted
from examtally.contracts.records.tables import Table
from examtally.errors import RegistryError
from examtally.registry.audit_log import note, seal, seal_bookkeeping
from examtally.registry.workspace import transaction
from examtally.resources import tool_version


@dataclass(frozen=True)
class Migration:
    """One step from the form before it to form `version`; `statements` run in order, in one transaction."""

    version: int
    statements: tuple[str, ...]


MIGRATIONS = (
    Migration(
        1,
        (
            "create schema if not exists reg.waiting",
            """create table reg.batches (
                batch_no INTEGER NOT NULL, received_at TIMESTAMP NOT NULL, operator VARCHAR,
                tool_version VARCHAR NOT NULL
            )""",
            """create table reg.batch_tables (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, file_no INTEGER NOT NULL,
                fingerprint VARCHAR NOT NULL, bytes BIGINT NOT NULL, lines BIGINT NOT NULL, stored BIGINT NOT NULL,
                unchanged BIGINT NOT NULL, conflict BIGINT NOT NULL, waiting BIGINT NOT NULL, held_back BIGINT NOT NULL,
                CHECK (lines = stored + unchanged + conflict + waiting + held_back)
            )""",
            """create table reg.released (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, lines BIGINT NOT NULL
            )""",
            """create table reg.held_back (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, file_no INTEGER NOT NULL, line BIGINT NOT NULL,
                "column" VARCHAR NOT NULL, rule VARCHAR NOT NULL, kind VARCHAR NOT NULL
                CHECK (kind in ('held_back', 'conflict'))
            )""",
            """create table reg.intake_checks (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, rule VARCHAR NOT NULL,
                expectation VARCHAR NOT NULL, "rows" BIGINT NOT NULL, checked BIGINT NOT NULL, unexpected BIGINT,
                raised BOOLEAN NOT NULL
            )""",
        ),
    ),
    Migration(
        2,
        (
            """create table reg.batch_exports (
                batch_no INTEGER NOT NULL, file_no INTEGER NOT NULL, fingerprint VARCHAR NOT NULL,
                bytes BIGINT NOT NULL, lines BIGINT NOT NULL, mapped BIGINT NOT NULL, skipped BIGINT NOT NULL,
                empty BIGINT NOT NULL, CHECK (lines = mapped + skipped + empty)
            )""",
            """create table reg.assumptions (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, assumption VARCHAR NOT NULL,
                code VARCHAR NOT NULL, lines BIGINT NOT NULL
            )""",
        ),
    ),
    Migration(
        3,
        (
            "create schema if not exists reg.superseded",
            """create table reg.log (
                entry INTEGER NOT NULL, logged_at VARCHAR NOT NULL, operator VARCHAR, action VARCHAR NOT NULL,
                batch_no INTEGER, details VARCHAR NOT NULL, before VARCHAR NOT NULL, hash VARCHAR NOT NULL
            )""",
            """create table reg.fingerprints (
                part VARCHAR NOT NULL, "table" VARCHAR NOT NULL, batch_no INTEGER NOT NULL, "rows" BIGINT NOT NULL,
                total VARCHAR NOT NULL
            )""",
            """create table reg.erased (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, lines BIGINT NOT NULL
            )""",
            "create table reg.tombstones (kind VARCHAR NOT NULL, digest VARCHAR NOT NULL)",
            "create table reg.tombstone_key (key VARCHAR NOT NULL)",
            "create table reg.retried (batch_no INTEGER NOT NULL, by_batch INTEGER NOT NULL)",
        ),
    ),
    Migration(
        4,
        (
            """create table reg.held_by (
                batch_no INTEGER NOT NULL, "table" VARCHAR NOT NULL, file_no INTEGER NOT NULL, line BIGINT NOT NULL,
                examiner_id VARCHAR NOT NULL, site_id VARCHAR
            )""",
        ),
    ),
    Migration(5, ()),  # the bookkeeping has fingerprints too; a new form renews them
    Migration(  # records of several joints; until then all were of one
        6,
        (
            *(
                f"alter table if exists reg.{schema}{table} add column if not exists joint VARCHAR default 'knee'"
                for schema in ("", "superseded.")
                for table in ("exams", '"references"')
            ),
            """create table reg.catalogues (
                batch_no INTEGER NOT NULL, joint VARCHAR NOT NULL, hash VARCHAR NOT NULL, local VARCHAR NOT NULL
            )""",
        ),
    ),
)
"""The forms a registry has had, one step after the other. Append; never change a step that has been released."""


_SCHEMAS = {"main": "reg", "waiting": "reg.waiting", "superseded": "reg.superseded"}
_EXTRA = {"superseded": (REPLACED_BY,)}
_FIRST_SEALED = 3  # the first form with fingerprints


def waiting_tables(contract: Contract) -> tuple[Table, ...]:
    """Return the tables whose lines wait for the exam they speak of."""
    return tuple(
        table for table in contract.tables.values() if any(key.unknown == "wait" for key in table.foreign_keys)
    )


def stored_version(con: duckdb.DuckDBPyConnection) -> int:
    """Return the form of the attached registry, 0 for an empty file; RegistryError where it holds something else."""
    tables = {
        name for (name,) in con.execute("select table_name from duckdb_tables() where database_name = 'reg'").fetchall()
    }
    if not tables:
        return 0
    if "schema_version" not in tables:
        raise RegistryError("the file holds tables of another program; name the registry file")
    (found,) = con.execute("select max(version) from reg.schema_version").fetchall()[0]
    return int(found)


def migrate(
    con: duckdb.DuckDBPyConnection, contract: Contract, migrations: tuple[Migration, ...] = MIGRATIONS
) -> tuple[int, int]:
    """Bring the attached registry to the newest form and the declared record tables; return the form before and after.

    All of it is one transaction: a failure leaves the registry as it was.
    """
    before, newest = stored_version(con), migrations[-1].version
    if before > newest:
        raise RegistryError(_newer(before, newest))
    declared = _declared(contract, _stored_columns(con) if before else {})
    steps = [step for step in migrations if step.version > before]
    with transaction(con):
        if not before:
            con.execute("create table reg.schema_version (version INTEGER NOT NULL, tool_version VARCHAR NOT NULL)")
        for statement in (statement for step in steps for statement in step.statements):
            con.execute(statement)
        if steps:
            versions = ", ".join(f"({step.version}, ?)" for step in steps)
            con.execute(f"insert into reg.schema_version values {versions}", [tool_version()] * len(steps))
        is_changed = _align(con, contract, declared, _present(con) if before else {})
        if is_changed or 0 < before < _FIRST_SEALED:
            seal(con, contract)
        elif before < newest:  # the records, where there are any, are as they were, and so are their fingerprints
            seal_bookkeeping(con, contract)
        if before and (before < newest or is_changed):
            note(con, "migrate", None, details={"from": before, "to": newest})
    return before, newest


def check_form(con: duckdb.DuckDBPyConnection, contract: Contract) -> None:
    """Raise RegistryError unless the attached registry can be read as the present form."""
    found, newest = stored_version(con), MIGRATIONS[-1].version
    if found > newest:
        raise RegistryError(_newer(found, newest))
    if found < newest or _lacks_columns(con, contract):
        raise RegistryError("the registry has an older form; `examtally ingest` brings it to the present one")


def _newer(found: int, newest: int) -> str:
    return f"the registry has form {found}, this program knows up to {newest}; install the newer examtally"


def _align(con: duckdb.DuckDBPyConnection, contract: Contract, declared: Written, present: Written) -> bool:
    """Create the record tables that are missing, rebuild those whose declaration has changed; whether any was."""
    rebuilt = False
    for (schema, name), sql in declared.items():
        table = contract.tables[name]
        if (schema, name) not in present:
            con.execute(create_statement(table, _SCHEMAS[schema], _EXTRA.get(schema, ())))
        elif present[schema, name] != sql:
            _rebuild(con, table, schema)
            rebuilt = True
    return rebuilt


Written = Mapping[tuple[str, str], str]
"""The declaration of each table by its part, as DuckDB itself writes it."""
Columns = dict[tuple[str, str], list[tuple[str, str]]]
"""The stored columns, by name and type, of each table by its part."""


def _stored_columns(con: duckdb.DuckDBPyConnection) -> Columns:
    rows = con.execute(
        "select schema_name, table_name, column_name, data_type from duckdb_columns() where database_name = 'reg' "
        "order by schema_name, table_name, column_index"
    ).fetchall()
    found: Columns = {}
    for part, table, name, kind in rows:
        found.setdefault((part, table), []).append((name, kind))
    return found


def _kept(stored: Columns, table: Table, part: str) -> list[tuple[str, str]]:
    """The columns, by name and type, that a catalogue of another time has added to a stored table."""
    known = {*table.names, BATCH_COLUMN, *_EXTRA.get(part, ())}
    return [(name, kind) for name, kind in stored.get((part, table.name), ()) if name not in known]


def _rebuild(con: duckdb.DuckDBPyConnection, table: Table, part: str) -> None:
    schema, extra = _SCHEMAS[part], _EXTRA.get(part, ())
    name, old = f"{schema}.{quoted(table.name)}", quoted(f"{table.name}__before")
    kept = _kept(_stored_columns(con), table, part)
    con.execute(f"alter table {name} rename to {old}")
    con.execute(create_statement(table, schema, extra, kept))
    try:
        con.execute(f"insert into {name} by name from {schema}.{old}")
    except duckdb.ConstraintException:
        raise RegistryError(f"{table.name} holds codes that are no longer declared; declare them again") from None
    con.execute(f"drop table {schema}.{old}")


def _lacks_columns(con: duckdb.DuckDBPyConnection, contract: Contract) -> bool:
    rows = con.execute("select schema_name, table_name, column_name from duckdb_columns() where database_name = 'reg'")
    found = set(rows.fetchall())
    wanted = {("main", table.name, name) for table in contract.tables.values() for name in table.names}
    wanted |= {("superseded", table.name, name) for table in contract.tables.values() for name in table.names}
    wanted |= {("waiting", table.name, name) for table in waiting_tables(contract) for name in table.names}
    return not wanted <= found


def _present(con: duckdb.DuckDBPyConnection, database: str = "reg") -> Written:
    rows = con.execute(
        "select schema_name, table_name, sql from duckdb_tables() where database_name = ? order by all", [database]
    )
    return {(schema, name): sql for schema, name, sql in rows.fetchall()}


def _declared(contract: Contract, stored: Columns) -> Written:
    """The record tables as DuckDB itself writes their declaration, so that it compares with what a file holds."""
    statements = ["create schema declared.waiting", "create schema declared.superseded"]
    for table in contract.tables.values():
        statements.append(create_statement(table, "declared", (), _kept(stored, table, "main")))
        replaced = _kept(stored, table, "superseded")
        statements.append(create_statement(table, "declared.superseded", (REPLACED_BY,), replaced))
    for table in waiting_tables(contract):
        statements.append(create_statement(table, "declared.waiting", (), _kept(stored, table, "waiting")))
    return _as_written(tuple(statements))


@lru_cache(maxsize=8)
def _as_written(statements: tuple[str, ...]) -> Written:
    """What DuckDB makes of the statements; a program that opens registry after registry asks it once."""
    with duckdb.connect() as con:
        con.execute("attach ':memory:' as declared")
        for statement in statements:
            con.execute(statement)
        return MappingProxyType(_present(con, "declared"))
