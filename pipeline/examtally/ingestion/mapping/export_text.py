"""Exports read into text tables: `export_<n>` holds the wanted columns of one file, c1, c2, … by their place."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from examtally.contracts.mapping.mapping import ExportSource, fold
from examtally.contracts.records.rules import literal, quoted
from examtally.errors import FileFault
from examtally.ingestion.mapping.exports import Export
from examtally.ingestion.mapping.fhir_text import read_fhir
from examtally.ingestion.mapping.header import Header
from examtally.ingestion.mapping.text_copy import ends_here, plain_copy
from examtally.ingestion.reading.limits import LONGEST_LINE, TextError
from examtally.ingestion.reading.lines import Lines, fingerprint, read_lines
from examtally.ingestion.reading.readable import parquet_columns
from examtally.ingestion.reading.rejects import check_rejects
from examtally.ingestion.reading.sheet import Sheet, read_sheet
from examtally.registry.faults import is_full

_UTF8 = "utf-8"


@dataclass(frozen=True)
class Opened:
    """An export of sound form, not yet read into a table; `path` is where its text is, in UTF-8.

    `made` is a table of its lines, where they were made of FHIR resources.
    """

    export: Export
    path: Path
    lines: Lines
    fingerprint: str
    bytes: int
    first_line: int
    texts: tuple[str, ...] | None
    sheet: Sheet | None
    made: str | None = None

    @property
    def header(self) -> Header:
        """Its columns."""
        return Header(self.lines.header, self.sheet.columns if self.sheet is not None else None)

    def column(self, place: int) -> int:
        """The column of the file at a place; blank columns of a sheet have none."""
        return self.sheet.columns[place - 1] if self.sheet is not None else place

    @property
    def sheet_name(self) -> str | None:
        """The sheet as the mapping names it; None where it is no workbook."""
        return (self.export.source.sheet or "sheet 1") if self.sheet is not None else None

    @property
    def table(self) -> str:
        """The table it is read into."""
        return quoted(f"export_{self.export.file_no}")


def open_export(con: duckdb.DuckDBPyConnection, export: Export, folder: Path) -> Opened:
    """Check the form of one export; text in another encoding is written again as UTF-8 into the private `folder`.

    Raises FileFault, one line a fault.
    """
    bytes_ = export.path.stat().st_size
    opened = Opened(export, export.path, Lines.of_rows((), 0), fingerprint(export.path), bytes_, 1, None, None)
    try:
        if export.ending == ".parquet":
            columns, lines = parquet_columns(con, export.path)
            return replace(opened, lines=lines, texts=tuple(columns.values()))
        if export.source.fhir is not None:
            table = read_fhir(con, export.path, export.ending, export.source, export.file_no)
            return replace(opened, lines=table.lines, made=table.table)
        if export.ending == ".xlsx":
            sheet = read_sheet(export.path, export.source.sheet, export.source.header_rows, *_bounds(export.source))
            return replace(opened, lines=sheet.lines, sheet=sheet)
        path, first_line = plain_copy(export, folder)
        is_compressed = path == export.path and export.ending == ".csv.gz"
        lines = read_lines(path, compressed=is_compressed, delimiter=export.source.delimiter, above=first_line - 1)
        _check_delimiter(export, lines)
        return replace(opened, path=path, lines=lines, first_line=first_line)
    except TextError as fault:
        raise FileFault(*(f"{export.where} {line}" for line in str(fault).split("\n"))) from None


def load(con: duckdb.DuckDBPyConnection, opened: Opened, places: Collection[int]) -> None:
    """Read the columns at `places` into the table of the export and keep its line numbers; raises FileFault."""
    export, lines = opened.export, opened.lines
    columns = ", ".join(f"nullif(trim({_text(opened, place)}), '') as c{place}" for place in sorted(places))
    if opened.sheet is not None:
        names = [f"c{place}" for place in range(1, len(opened.sheet.cells) + 1)]
        import pyarrow as pa  # slow to import, and only cells of a sheet need it

        arrays = [pa.array(cells, pa.string()) for cells in opened.sheet.cells]
        con.register("sheet", pa.Table.from_arrays(arrays, names))
    try:
        con.execute(f"create temp table {opened.table} as select {columns} from {_reader(opened)}")
    except duckdb.Error as error:
        if is_full(error):
            raise
        raise FileFault(f"{export.where} cannot be read to its end; save it again as CSV UTF-8") from None
    finally:
        if opened.sheet is not None:
            con.unregister("sheet")
        if opened.made is not None:
            con.execute(f"drop table {opened.made}")
    if _is_text(opened):
        check_rejects(
            con,
            _rejects(export),
            export.where,
            opened.path,
            compressed=_is_compressed(opened),
            delimiter=export.source.delimiter,
            above=opened.first_line - 1,
        )
    ((rows,),) = con.execute(f"select count(*) from {opened.table}").fetchall()
    if rows != lines.records:
        raise FileFault(f"{export.where} has {lines.records} lines, but {rows} can be read; save it again as CSV UTF-8")
    con.execute(
        "insert into line_shift select ?, ?, unnest(?::bigint[]), unnest(?::bigint[]) + ?",
        [export.part, export.file_no, *map(list, zip(*lines.shifts, strict=True)), opened.first_line - 1],
    )


def _is_text(opened: Opened) -> bool:
    return opened.sheet is None and opened.texts is None and opened.made is None


def _is_compressed(opened: Opened) -> bool:
    return opened.path == opened.export.path and opened.export.ending == ".csv.gz"


def _rejects(export: Export) -> str:
    return f"rejects_export_{export.file_no}"


def _text(opened: Opened, place: int) -> str:
    """SQL for the text of a column; spaces that do not break are spaces."""
    text = opened.texts[place - 1] if opened.texts is not None else f"c{place}"
    return f"replace({text}, chr(160), ' ')" if opened.export.source.encoding != _UTF8 else text


def _reader(opened: Opened) -> str:
    if opened.sheet is not None or opened.made is not None:
        return opened.made or "sheet"
    path = literal(str(opened.path.absolute()))
    if opened.texts is not None:
        return f"read_parquet({path})"
    types = ", ".join(f"'c{place}': 'varchar'" for place in range(1, len(opened.lines.header) + 1))
    rejects = _rejects(opened.export)
    reader = (
        f"read_csv({path}, header = true, auto_detect = false, delim = {literal(opened.export.source.delimiter)}, "
        f"quote = '\"', escape = '\"', columns = {{{types}}}, "
        f"compression = '{'gzip' if _is_compressed(opened) else 'none'}', max_line_size = {LONGEST_LINE}, "
        f"store_rejects = true, rejects_limit = 0, rejects_table = '{rejects}', rejects_scan = '{rejects}_scan')"
    )
    return reader if len(opened.lines.header) > 1 else f"{reader} where c1 is not null"


def _check_delimiter(export: Export, lines: Lines) -> None:
    if len(lines.header) == 1:
        others = [sign for sign in ",;\t|" if sign != export.source.delimiter and sign in lines.header[0]]
        if others:
            raise TextError("has one column when read as the mapping says; look at `delimiter` of the source")


def _bounds(
    source: ExportSource,
) -> tuple[Callable[[list[str | None]], bool] | None, Callable[[list[str | None]], bool] | None]:
    """What tells the header row and the foot of a sheet, where the mapping says."""
    wanted = fold(source.header_at) if source.header_at else None
    ends = tuple(map(fold, source.ends_before))
    is_header = None if wanted is None else lambda cells: wanted in [fold(cell) for cell in cells if cell]
    return is_header, (lambda cells: ends_here(cells, ends)) if ends else None
