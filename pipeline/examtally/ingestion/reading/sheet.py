"""A sheet of a workbook as columns of text, with the row of the sheet that each line stands in."""

from __future__ import annotations

import datetime
import itertools
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from examtally.ingestion.reading.limits import TextError, check_columns, check_workbook
from examtally.ingestion.reading.lines import Lines

Cells = list[str | None]
_MOST_BLANK_ROWS = 1000  # a sheet may claim a million rows that nobody ever wrote in


@dataclass(frozen=True)
class Sheet:
    """The lines of a sheet below its header; `cells` holds one list a column, None for a blank.

    `tops` are the parts of the column names that come from the upper header rows, `columns` the columns of the sheet,
    counted from 1.
    """

    lines: Lines
    cells: tuple[list[str | None], ...]
    tops: tuple[str, ...]
    columns: tuple[int, ...]


def read_sheet(
    path: Path,
    sheet: str | None,
    header_rows: tuple[int, int],
    is_header: Callable[[Cells], bool] | None = None,
    is_end: Callable[[Cells], bool] | None = None,
) -> Sheet:
    """Read a sheet, the first where `sheet` is None; raises TextError where it cannot be read.

    Header cells that are merged name every column they span. Rows and unnamed columns that are blank are left out.
    `is_header` tells the row that names the columns, `is_end` the first row that is no line any more.
    """
    rows = _rows(path, sheet)
    header, tops = _header(_head(rows, header_rows, is_header))
    places, lines = [], []
    blank = 0
    for number, cells in rows:
        if is_end is not None and is_end(cells):
            break
        if all(cell is None for cell in cells):
            blank += 1
            if blank > _MOST_BLANK_ROWS:
                break
            continue
        blank = 0
        places.append(number)
        lines.append(cells)
    width = max([len(header), *(len(cells) for cells in lines)])
    header += [""] * (width - len(header))
    tops += [""] * (width - len(tops))
    columns = [[cells[at] if at < len(cells) else None for cells in lines] for at in range(width)]
    kept = [at for at in range(width) if header[at] or any(cell is not None for cell in columns[at])]
    names = tuple(header[at] for at in kept)
    return Sheet(
        lines=Lines(names, len(lines), shifts(places)),
        cells=tuple(columns[at] for at in kept),
        tops=tuple(tops[at] for at in kept),
        columns=tuple(at + 1 for at in kept),
    )


def _head(
    rows: Iterator[tuple[int, Cells]], header_rows: tuple[int, int], is_header: Callable[[Cells], bool] | None
) -> list[Cells]:
    """The rows that name the columns; `rows` goes on below them."""
    if is_header is not None:
        found = next((cells for _, cells in itertools.islice(rows, _MOST_BLANK_ROWS) if is_header(cells)), None)
        if found is None:
            raise TextError("has no row with the column that `header_at` of the source names")
        return [found]
    head = [cells for _, cells in itertools.islice(rows, header_rows[1])]
    if len(head) < header_rows[1]:
        raise TextError("ends above the row that names the columns; look at `header_rows`")
    return head[header_rows[0] - 1 :]


def sheet_names(path: Path) -> tuple[str, ...]:
    """Return the names of the sheets of a workbook; raises TextError where it is none."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return tuple(_open(path).sheetnames)


def first_rows(path: Path, sheet: str, count: int) -> list[list[str | None]]:
    """Return the first rows of a sheet; raises TextError where it cannot be read."""
    return [cells for _, (_, cells) in zip(range(count), _rows(path, sheet), strict=False)]


def holds_rows(path: Path, sheet: str, header_row: int) -> bool:
    """Return whether any cell below the header of a sheet is filled; raises TextError where it cannot be read."""
    rows = itertools.islice(_rows(path, sheet), header_row, header_row + _MOST_BLANK_ROWS)
    return any(cell is not None for _, cells in rows for cell in cells)


def column_letters(column: int) -> str:
    """Return the letters of a column of a sheet, counted from 1.

    >>> column_letters(6), column_letters(28)
    ('F', 'AB')
    """
    letters = ""
    while column:
        column, digit = divmod(column - 1, 26)
        letters = chr(ord("A") + digit) + letters
    return letters


def subject_of(path: Path) -> str | None:
    """The subject in the properties of a workbook; ours name the joint there."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = _open(path)
    try:
        return str(book.properties.subject) if book.properties.subject else None
    finally:
        book.close()


def _rows(path: Path, sheet: str | None) -> Iterator[tuple[int, list[str | None]]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about drawings, drop-downs and the like, which are not read
        book = _open(path)
        if sheet is not None and sheet not in book.sheetnames:
            raise TextError("has no sheet of the name that the mapping gives; look at `sheet`")
        page = book[sheet] if sheet is not None else book.worksheets[0]
        try:
            for number, cells in enumerate(page.iter_rows(), start=1):
                check_columns(cells)
                yield number, [_text(cell.value, cell) for cell in cells]
        except TextError:
            raise
        except Exception:  # whatever a damaged workbook makes the reader raise
            raise TextError("is not a whole workbook; save it again as .xlsx") from None
        finally:
            book.close()


def _open(path: Path):  # type: ignore[no-untyped-def]  # the library has no types
    from openpyxl import load_workbook

    check_workbook(path)
    try:
        return load_workbook(path, read_only=True, data_only=True)
    except Exception:  # whatever a damaged workbook makes the reader raise
        raise TextError("is not a whole workbook; save it again as .xlsx") from None


def _text(cell: object, shown: Any) -> str | None:
    """The cell as text; a number that the sheet shows as percent is written as percent, with its sign."""
    if cell is None or isinstance(cell, bool):
        return None if cell is None else str(cell).lower()
    if isinstance(cell, int | float) and "%" in shown.number_format:
        return f"{round(cell * 100, 9):g}%"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell)
    if isinstance(cell, datetime.datetime | datetime.date | datetime.time):
        return cell.isoformat()
    return str(cell).replace("\u00a0", " ").strip() or None


def _header(rows: Sequence[Sequence[str | None]]) -> tuple[list[str], list[str]]:
    """One name a column: the cells of the header rows from above, a merged cell carried to the right; and its top."""
    width = max(len(row) for row in rows)
    parts: list[list[str]] = [[] for _ in range(width)]
    tops: list[str] = []
    for number, row in enumerate(rows):
        tops = [" ".join(words) for words in parts]
        carried = None
        for at in range(width):
            cell = row[at] if at < len(row) else None
            is_last = number == len(rows) - 1
            carried = cell if cell is not None or is_last else carried
            below = rows[number + 1][at] if not is_last and at < len(rows[number + 1]) else None
            if carried is not None and (cell is not None or below is not None):
                parts[at].append(carried)
    return [" ".join(words) for words in parts], tops


def shifts(places: Iterable[int]) -> list[tuple[int, int]]:
    """Where the row of a line stops following from its number, as in `Lines`."""
    kept: list[tuple[int, int]] = []
    for record, place in enumerate(places):
        if not kept or place - record != kept[-1][1]:
            kept.append((record, place - record))
    return kept or [(0, 1)]
