"""Record files read into text tables, one a record table, whatever the files are: nothing is judged or dropped here.

`text_<table>` holds the columns that were supplied; the view `staged_<table>` adds `rid` (the place of the line in the
batch, from 0) and every declared column that was not supplied, as NULL. A blank is NULL, identifiers are upper-cased.
`line_shift` turns a `rid` into the line of a file.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.ddl import default_sql
from examtally.contracts.records.rules import quoted
from examtally.contracts.records.tables import JOINT, Table
from examtally.errors import FileFault
from examtally.ingestion.reading.lines import fingerprint
from examtally.ingestion.reading.readable import Readable, open_file, rejects_table
from examtally.ingestion.reading.rejects import check_rejects
from examtally.ingestion.reading.sources import Source
from examtally.registry.faults import is_full


@dataclass(frozen=True)
class StagedFile:
    """One file of a table: `lines` records, the first of them at `first_rid` of the staged table."""

    file_no: int
    fingerprint: str
    bytes: int
    lines: int
    first_rid: int


@dataclass(frozen=True)
class Staged:
    """One staged table; `supplied` names the columns some file brought, `is_mapped` says through a mapping."""

    table: Table
    supplied: frozenset[str]
    files: tuple[StagedFile, ...]
    is_mapped: bool = False

    @property
    def lines(self) -> int:
        """Lines of all its files."""
        return sum(file.lines for file in self.files)

    @property
    def view(self) -> str:
        """The view to read it by."""
        return quoted(f"staged_{self.table.name}")


def stage(
    con: duckdb.DuckDBPyConnection, contract: Contract, sources: Sequence[Source], progress: Callable[[str], None]
) -> dict[str, Staged]:
    """Read every file as text; return the staged tables in loading order. Raises FileFault, one line a fault."""
    make_line_shift(con)
    faults: list[str] = []
    readable = []
    for source in sources:
        try:
            readable.append(open_file(con, contract, source))
        except FileFault as fault:
            faults += fault.lines
    _raise(faults)
    staged = {}
    for table in contract.tables.values():
        files = [file for file in readable if file.source.table == table.name]
        if files:
            staged[table.name] = _stage_table(con, table, files, progress, faults)
    _raise(faults)
    return staged


def make_line_shift(con: duckdb.DuckDBPyConnection) -> None:
    """Make the table that turns a place into the line of a file: a `part` is a record table, or one export."""
    con.execute("create temp table line_shift (part varchar, file_no integer, first bigint, shift bigint)")


def make_view(con: duckdb.DuckDBPyConnection, table: Table, supplied: frozenset[str]) -> None:
    """Make the view of a staged table over its text."""
    columns, text = view_columns(table, supplied), quoted(f"text_{table.name}")
    con.execute(f"create temp view {quoted(f'staged_{table.name}')} as select {columns} from {text}")


def view_columns(table: Table, supplied: frozenset[str]) -> str:
    """SELECT expressions of the view; a line that names no joint is of the one that stands for a blank."""
    columns = [quoted(name) if name in supplied else f"null::varchar as {quoted(name)}" for name in table.names]
    if JOINT in table.names:
        given = JOINT if JOINT in supplied else "null"
        columns[table.names.index(JOINT)] = f"coalesce({given}, {default_sql(table.field(JOINT))}) as {JOINT}"
    return f"rowid as rid, {', '.join(columns)}"


def _raise(faults: Sequence[str]) -> None:
    if faults:
        raise FileFault(*faults)


def _stage_table(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    files: Sequence[Readable],
    progress: Callable[[str], None],
    faults: list[str],
) -> Staged:
    supplied = frozenset(name for file in files for name in file.columns)
    text = quoted(f"text_{table.name}")
    columns = ", ".join(f"{quoted(name)} varchar" for name in table.names if name in supplied)
    con.execute(f"create temp table {text} ({columns})")
    staged: list[StagedFile] = []
    for file in files:
        progress(f"reading {file.source.where}")
        try:
            staged.append(_load(con, text, file, sum(one.lines for one in staged)))
        except FileFault as fault:
            faults += fault.lines
    make_view(con, table, supplied)
    return Staged(table, supplied, tuple(staged))


def _load(con: duckdb.DuckDBPyConnection, text: str, file: Readable, first_rid: int) -> StagedFile:
    """Read one file; the lines counted in its bytes must be the rows that were read."""
    source, lines = file.source, file.lines
    try:
        ((rows,),) = con.execute(f"insert into {text} by name select {file.select} from {file.reader}").fetchall()
    except duckdb.Error as error:
        if is_full(error):
            raise
        raise FileFault(f"{source.where} cannot be read to its end; save it again as CSV UTF-8") from None
    if source.ending != ".parquet":
        check_rejects(con, rejects_table(source), source.where, source.path, compressed=source.is_compressed)
    if rows != lines.records:
        raise FileFault(f"{source.where} has {lines.records} lines, but {rows} can be read; save it again as CSV UTF-8")
    con.execute(
        "insert into line_shift select ?, ?, unnest(?::bigint[]), unnest(?::bigint[])",
        [
            source.table,
            source.file_no,
            *zip(*((first_rid + at, by - first_rid) for at, by in lines.shifts), strict=True),
        ],
    )
    return StagedFile(source.file_no, fingerprint(source.path), source.path.stat().st_size, int(rows), first_rid)
