"""A table set opened in Spark: what a registry is to an analysis."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from examtally.contracts.records.rules import literal, quoted
from examtally.errors import EngineError
from examtally.registry.table_set import PARTS, RECORD_NUMBER, TableSet, check_not_replaced, read_table_set
from examtally.registry.workspace import Workspace
from examtally.spark.session import spark_path, spark_session

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

    from examtally.spark.engine import SparkEngine

_NEEDED = ("pyspark", "sqlglot")
_SPARK_TYPES = {"VARCHAR": "string", "INTEGER": "int", "BIGINT": "bigint", "DOUBLE": "double"}
_SCHEMAS = {**PARTS, "bookkeeping": "reg", "waiting": "reg.waiting"}


class SparkRecords:
    """An open table set; `con` takes the SQL of the cohort."""

    def __init__(self, tables: TableSet, con: SparkEngine) -> None:
        self.con = con
        self._tables = tables

    def fingerprint(self) -> str:
        """Return the fingerprint that the registry had when the tables were written; the files are held to it.

        An analysis asks for it last. Raises RegistryError where other tables have taken the place of these.
        """
        check_not_replaced(self._tables)
        return self._tables.fingerprint


@contextmanager
def open_records(folder: Path | str, *, master: str | None = None) -> Iterator[SparkRecords]:
    """Open the table set at `folder` in Spark for as long as the block lasts.

    `master` is Spark's word for where it runs; see `spark_session`.
    Raises RegistryError for what is no table set, and EngineError where Spark or Java is missing or fails.

        with open_records("tables", master="local[2]") as records:
            results = et.analyze(records)
    """
    if any(find_spec(name) is None for name in _NEEDED):
        raise EngineError("Spark is not installed; run: python -m pip install 'examtally[spark]'")
    tables = read_table_set(folder)
    from examtally.spark.engine import SparkEngine

    with Workspace(tables.folder.parent) as workspace:
        folder = workspace.folder / "spark"
        folder.mkdir(mode=0o700)
        _write_beside(workspace.con, tables)
        with spark_session(folder, master) as session:
            names = {_name(table): _shown(session, tables, table) for table in tables.columns if _is_record(table)}
            held = {_name(table) for table in tables.columns if not _is_record(table)}
            yield SparkRecords(tables, SparkEngine(session, workspace.con, names, held, folder))


def _is_record(table: str) -> bool:
    return table.partition("/")[0] in PARTS


def _name(table: str) -> str:
    """The name of a table of the set in our SQL: `records/exams` is `reg.exams`."""
    part, _, base = table.partition("/")
    return f"{_SCHEMAS[part]}.{base}"


def _write_beside(con: duckdb.DuckDBPyConnection, tables: TableSet) -> None:
    """Write the catalog `reg`: every table of the set, those that are no record's with their rows."""
    con.execute("attach ':memory:' as reg; create schema reg.superseded; create schema reg.waiting")
    for table, columns in tables.columns.items():
        part, _, base = table.partition("/")
        declared = ", ".join(f"{quoted(name)} {kind}" for name, kind in columns.items() if name != RECORD_NUMBER)
        name = f"{_SCHEMAS[part]}.{quoted(base)}"
        con.execute(f"create table {name} ({declared})")
        if not _is_record(table):
            (file,) = tables.files_of(table)
            con.execute(f"insert into {name} from read_parquet({literal(str(file))})")


def _shown(session: SparkSession, tables: TableSet, table: str) -> str:
    """Show a record table to Spark; return the name of the view."""
    kinds = ", ".join(f"`{name}` {_SPARK_TYPES[kind]}" for name, kind in tables.columns[table].items())
    files = [spark_path(file) for file in tables.files_of(table)]
    frame = session.read.schema(kinds).parquet(*files) if files else session.createDataFrame([], kinds)
    view = _name(table).replace(".", "_")
    frame.createOrReplaceTempView(view)
    return view
