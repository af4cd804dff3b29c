"""Whether a record file has the form it must have: what its name says, the columns of its table and no others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import literal, quoted
from examtally.contracts.records.tables import Table
from examtally.errors import FileFault
from examtally.ingestion.reading.limits import LONGEST_LINE, TextError, check_columns, check_parquet
from examtally.ingestion.reading.lines import Lines, read_lines
from examtally.ingestion.reading.sources import Source

_MAPPED = "Columns of your own need a mapping: `examtally map draft FILE` begins one, then --mapping"
_DELIMITERS = {";": "semicolons", "\t": "tabs", "|": "upright strokes"}
_WHOLE = ("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "UTINYINT", "USMALLINT", "UINTEGER", "UBIGINT", "HUGEINT")


@dataclass(frozen=True)
class Readable:
    """A file of sound form; `select` gives its columns as staged text, `reader` its rows."""

    source: Source
    columns: tuple[str, ...]
    select: str
    reader: str
    lines: Lines


def open_file(con: duckdb.DuckDBPyConnection, contract: Contract, source: Source) -> Readable:
    """Check the form of one file without reading its records; raises FileFault, one line a fault."""
    table = contract.tables[source.table]
    try:
        if source.ending == ".parquet":
            columns, lines = parquet_columns(con, source.path)
        else:
            lines = read_lines(source.path, compressed=source.is_compressed)
            _check_delimiter(lines.header)
            columns = {name: quoted(name) for name in lines.header}
        _check_columns(table, lines.header, contract.of_joint.tables[source.table])
    except TextError as fault:
        raise FileFault(*(f"{source.where} {line}" for line in str(fault).split("\n"))) from None
    select = ", ".join(f"{_as_staged(table, name, text)} as {quoted(name)}" for name, text in columns.items())
    return Readable(source, lines.header, select, _reader(source, lines.header), lines)


def rejects_table(source: Source) -> str:
    """The table in which the reader lists the lines it could not part into cells."""
    return f"rejects_{source.file_no}"


def _as_staged(table: Table, name: str, text: str) -> str:
    field, blank = table.field(name), f"nullif({text}, '')"
    if field.spellings:
        codes = " ".join(f"when {literal(word)} then {literal(code)}" for word, code in field.spellings.items())
        return f"case lower({text}) {codes} else {blank} end"
    return f"upper({blank})" if field.is_pseudonym else blank


def _reader(source: Source, columns: Sequence[str]) -> str:
    path = literal(str(source.path.absolute()))
    if source.ending == ".parquet":
        return f"read_parquet({path})"
    types = ", ".join(f"{literal(name)}: 'varchar'" for name in columns)
    compression = "gzip" if source.is_compressed else "none"
    reader = (
        f"read_csv({path}, header = true, auto_detect = false, delim = ',', quote = '\"', escape = '\"', "
        f"columns = {{{types}}}, compression = '{compression}', max_line_size = {LONGEST_LINE}, "
        f"store_rejects = true, rejects_limit = 0, rejects_table = '{rejects_table(source)}', "
        f"rejects_scan = '{rejects_table(source)}_scan')"
    )
    # in a file of one column a blank line reads as a blank cell
    return reader if len(columns) > 1 else f"{reader} where {quoted(columns[0])} is not null"


def _check_delimiter(header: Sequence[str]) -> None:
    for delimiter, words in _DELIMITERS.items():
        if len(header) == 1 and delimiter in header[0]:
            raise TextError(f"has cells separated by {words}; save it as CSV with commas")


def _check_columns(table: Table, header: Sequence[str], of_joint: Table) -> None:
    """A column that is not declared is named by its place: it may be the first record, with a name in it.

    Of the columns that may be there those of one joint are named, for there are too many of all joints.
    """
    unknown = [str(place) for place, name in enumerate(header, start=1) if name not in table.names]
    if len(unknown) == len(header):
        required = ", ".join(field.name for field in table.fields if field.required)
        raise TextError(
            f"names no column of {table.name} in its first line; begin with: {required} (`examtally dictionary --table "
            f"{table.name}` lists the others). {_MAPPED}"
        )
    missing = [field.name for field in table.fields if field.required and field.name not in header]
    twice = [name for name in table.names if header.count(name) > 1]
    faults = []
    if unknown:
        legal = ", ".join(name for name in of_joint.names if name not in header) or "none is left"
        faults.append(
            f"has columns that are not declared (column {', '.join(unknown)}); remove or rename them ({legal}). "
            f"{_MAPPED}"
        )
    if missing:
        faults.append(f"lacks required columns ({', '.join(missing)}); add them")
    if twice:
        faults.append(f"has columns twice ({', '.join(twice)}); keep one of each")
    if faults:
        raise TextError("\n".join(faults))


def parquet_columns(con: duckdb.DuckDBPyConnection, file: Path) -> tuple[dict[str, str], Lines]:
    """Return SQL for the text of each column of a Parquet file, and its lines; raises TextError."""
    path = literal(str(file.absolute()))
    try:
        described = con.execute(f"describe from read_parquet({path})").fetchall()
        check_parquet(con, file)
        ((count,),) = con.execute(f"select num_rows from parquet_file_metadata({path})").fetchall()
    except duckdb.Error:
        raise TextError("is not a whole Parquet file; export the table again") from None
    check_columns(described)
    columns = {name: _parquet_text(place, name, kind) for place, (name, kind, *_) in enumerate(described, start=1)}
    return columns, Lines.of_rows(tuple(columns), count)


def _parquet_text(place: int, name: str, kind: str) -> str:
    """The text of a column; whole numbers kept as floats, as many programs keep them beside blanks, lose their `.0`."""
    column = quoted(name)
    if kind in (*_WHOLE, "VARCHAR", "BOOLEAN") or kind.startswith("ENUM"):
        return f"cast({column} as varchar)"
    if kind in ("FLOAT", "DOUBLE") or kind.startswith("DECIMAL"):
        number = f"cast({column} as double)"
        text = f"case when {number} = trunc({number}) then try_cast(try_cast({number} as bigint) as varchar) end"
        return f"case when not isnan({number}) then coalesce({text}, cast({column} as varchar)) end"
    raise TextError(f"has a column that is neither text nor number (column {place}); export it as text or number")
