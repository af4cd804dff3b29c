"""DuckDB tables derived from the declared record tables.

No PRIMARY KEY and no FOREIGN KEY: at millions of findings they cost three times the load and nine times the file.
Uniqueness and references are asserted by query before each commit. NOT NULL and CHECK are free and stand here.
"""

from __future__ import annotations

from collections.abc import Sequence

from examtally.contracts.contract import DEFAULT_JOINT, Contract
from examtally.contracts.records.rules import in_list, literal, quoted
from examtally.contracts.records.tables import JOINT, Field, Table

BATCH_COLUMN = "batch_no"
REPLACED_BY = "replaced_by"


def create_statements(contract: Contract, schema: str = "reg") -> list[str]:
    """Return one CREATE TABLE a record table: declared columns in order, then `batch_no`, the batch that brought it."""
    return [create_statement(table, schema) for table in contract.tables.values()]


def create_statement(table: Table, schema: str, extra: Sequence[str] = (), kept: Sequence[tuple[str, str]] = ()) -> str:
    """Return the CREATE TABLE statement of one record table in `schema`; `extra` are further numbers of batches.

    `kept` are columns, by name and type, of a catalogue that is not at hand.
    """
    columns = [
        *(_column(field) for field in table.fields),
        *(f"{quoted(name)} {kind}" for name, kind in kept),
        *(f"{name} INTEGER NOT NULL" for name in (BATCH_COLUMN, *extra)),
    ]
    return f"create table {schema}.{quoted(table.name)} (\n    " + ",\n    ".join(columns) + "\n)"


def typed_columns(table: Table, source: str = "") -> list[str]:
    """Return SELECT expressions that turn checked staged text into the stored types, defaults applied."""
    prefix = f"{source}." if source else ""
    return [f"{_typed(field, prefix + quoted(field.name))} as {quoted(field.name)}" for field in table.fields]


def _column(field: Field) -> str:
    name = quoted(field.name)
    parts = [name, field.sql_type]
    if field.name == JOINT:  # whatever joint a batch is of: rows written before there were others are of this one
        parts.append(f"DEFAULT {literal(DEFAULT_JOINT)}")
    if field.required or field.default is not None:
        parts.append("NOT NULL")
    checks = []
    if field.is_clinical:  # another joint may have other codes and another range in it
        return " ".join(parts)
    if field.enum is not None:
        checks.append(f"{name} in {in_list(field.enum)}")
    if field.minimum is not None:
        checks.append(f"{name} >= {field.minimum}")
    if field.maximum is not None:
        checks.append(f"{name} <= {field.maximum}")
    if checks:
        parts.append(f"CHECK ({' and '.join(checks)})")
    return " ".join(parts)


def _typed(field: Field, text: str) -> str:
    typed = text if field.type == "string" else f"cast({text} as {field.sql_type})"
    return typed if field.default is None else f"coalesce({typed}, {default_sql(field)})"


def default_sql(field: Field) -> str:
    """SQL for what stands for a blank."""
    return literal(field.default) if isinstance(field.default, str) else str(field.default)
