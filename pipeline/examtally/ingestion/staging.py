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
from examtally.contracts.rules import quoted
from examtally.contracts.tables import Table
from examtally.errors import FileFault
from examtally.ingestion.lines import fingerprint, line_at
from examtally.ingestion.readable import Readable, open_file, rejects_table
from examtally.ingestion.sources import Source
from examtally.registry.faults import is_full

_REJECTED = {
    "TOO MANY COLUMNS": "more cells than the header; put a cell with a comma in quotation marks",
    "MISSING COLUMNS": "fewer cells than the header; add the missing commas",
    "LINE SIZE OVER MAXIMUM": "more text than a record can have; look for an open quotation mark above it",
}
_NOT_CSV = "text that is not CSV; save it again as CSV UTF-8"


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
    """One staged table; `supplied` names the columns some file brought."""

    table: Table
    supplied: frozenset[str]
    files: tuple[StagedFile, ...]

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
    con.execute('create temp table line_shift ("table" varchar, file_no integer, first_rid bigint, shift bigint)')
    faults: list[str] = []
    readable = []
    for source in sources:
        try:
            readable.append(open_file(con, contract.tables[source.table], source))
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
    staged = []
    for file in files:
        progress(f"reading {file.source.where}")
        try:
            staged.append(_load(con, text, file))
        except FileFault as fault:
            faults += fault.lines
    columns = ", ".join(
        quoted(name) if name in supplied else f"null::varchar as {quoted(name)}" for name in table.names
    )
    con.execute(f"create temp view {quoted(f'staged_{table.name}')} as select rowid as rid, {columns} from {text}")
    return Staged(table, supplied, tuple(staged))


def _load(con: duckdb.DuckDBPyConnection, text: str, file: Readable) -> StagedFile:
    """Read one file; the lines counted in its bytes must be the rows that were read."""
    source, lines = file.source, file.lines
    first_rid = _count(con, text)
    try:
        con.execute(f"insert into {text} by name select {file.select} from {file.reader}")
    except duckdb.Error as error:
        if is_full(error):
            raise
        raise FileFault(f"{source.where} cannot be read to its end; save it again as CSV UTF-8") from None
    if source.ending != ".parquet":
        _check_rejects(con, source)
    rows = _count(con, text) - first_rid
    if rows != lines.records:
        raise FileFault(f"{source.where} has {lines.records} lines, but {rows} can be read; save it again as CSV UTF-8")
    con.execute(
        "insert into line_shift select ?, ?, unnest(?::bigint[]) + ?, unnest(?::bigint[]) - ?",
        [source.table, source.file_no, lines.shifts[:, 0].tolist(), first_rid, lines.shifts[:, 1].tolist(), first_rid],
    )
    return StagedFile(source.file_no, fingerprint(source.path), source.path.stat().st_size, rows, first_rid)


def _count(con: duckdb.DuckDBPyConnection, text: str) -> int:
    ((rows,),) = con.execute(f"select count(*) from {text}").fetchall()
    return int(rows)


def _check_rejects(con: duckdb.DuckDBPyConnection, source: Source) -> None:
    """A line with more or fewer cells than the header stops the batch: a shifted line may pass every other check."""
    found = con.execute(
        "select error_type, count(distinct line_byte_position) as lines, min(line_byte_position) as first "
        f"from {rejects_table(source)} group by error_type order by first"
    ).fetchall()
    _raise(
        [
            f"{source.where} has {count} line{'s' * (count > 1)} with {_REJECTED.get(kind, _NOT_CSV)} "
            f"(first: line {line_at(source.path, first - 1, compressed=source.is_compressed)})"
            for kind, count, first in found
        ]
    )
