"""Writing the workbook: pages to fill in with drop-downs, comments and a readable head, and pages to read."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from examtally.contracts.contract import Contract
from examtally.errors import ExamtallyError
from examtally.files import whole_file
from examtally.workbook.layout import FONT, HAIR, INK, MUST, SHADES, WARN, Band, Column, Page, fill, pages, table_page
from examtally.workbook.reading import write_catalogue, write_conditions, write_cover

SHEET = "Lists"


class Lookup:
    """Lists, each kept once, one a column."""

    def __init__(self) -> None:
        self._lists: dict[tuple[str, ...], int] = {}

    def range(self, entries: tuple[str, ...]) -> str:
        """Return the cells that hold these entries."""
        letter = get_column_letter(self._lists.setdefault(entries, len(self._lists) + 1))
        return f"{SHEET}!${letter}$1:${letter}${len(entries)}"

    def write(self, book: Workbook) -> None:
        """Add the hidden sheet."""
        sheet = book.create_sheet(SHEET)
        for entries, at in self._lists.items():
            for row, entry in enumerate(entries, start=1):
                cell = sheet.cell(row, at, entry)
                cell.data_type, cell.number_format = "s", "@"
        sheet.sheet_state = "hidden"


LAST_ROW = 5000
_NARROW, _LONGEST_MESSAGE = 6.5, 225


def write_workbook(out: Path, contract: Contract, *, as_tables: bool = False) -> tuple[str, ...]:
    """Write the empty workbook, with `as_tables` a sheet for each record table; return the names of the sheets to fill.

    Raises ExamtallyError where `out` is no .xlsx name, exists already or cannot be written.
    """
    if out.suffix.lower() != ".xlsx":
        raise ExamtallyError("the workbook's name must end in .xlsx; change --out")
    if out.exists():
        raise ExamtallyError(f"{out.name} exists already and may hold records; choose another name with --out")
    book = Workbook()
    book.remove(book.active)
    made = [table_page(table) for table in contract.tables.values()] if as_tables else list(pages(contract))
    write_cover(book, contract, made)
    lookup = Lookup()
    for page in made:
        _write_page(book.create_sheet(page.form.sheet), page, lookup, has_bands=not as_tables)
    write_catalogue(book, contract)
    write_conditions(book, contract)
    lookup.write(book)
    book.properties.title = f"{contract.catalogue.title} exam records"
    book.properties.subject = contract.catalogue.joint
    book.properties.creator = "examtally"
    book.properties.created = book.properties.modified = datetime.datetime(2000, 1, 1)
    _save(book, out)
    return tuple(page.form.sheet for page in made)


def _save(book: Workbook, out: Path) -> None:
    for cell in (cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.data_type == "f"):
        cell.data_type = "s"  # a word of a catalogue that looks like a formula is none
    try:
        with whole_file(out) as part:
            book.save(part)
    except OSError as error:
        raise ExamtallyError(f"{out.name} cannot be written: {error.strerror}; choose another --out") from None


def _write_page(sheet: Worksheet, page: Page, lookup: Lookup, *, has_bands: bool) -> None:
    head = 2 if has_bands else 1
    at = 1
    for number, band in enumerate(page.bands):
        if has_bands:
            _write_band(sheet, band, at, number)
        for column in band.columns:
            _write_column(sheet, column, at, head, lookup, shade=SHADES[number % len(SHADES)])
            at += 1
        if band.is_folded:
            _fold(sheet, at - len(band.columns), at - 1)
    _mark_missing(sheet, page.columns, head)
    _frame(sheet, page, head)


def _write_band(sheet: Worksheet, band: Band, first: int, number: int) -> None:
    last = first + len(band.columns) - 1
    for at in range(first, last + 1):
        sheet.cell(1, at).fill = fill(INK if number % 2 == 0 else HAIR)
    cell = sheet.cell(1, first, band.title)
    cell.font = Font(name=FONT, size=10, bold=True, color="FFFFFF")
    cell.alignment = Alignment(vertical="center", wrap_text=False)
    if last > first:
        sheet.merge_cells(start_row=1, start_column=first, end_row=1, end_column=last)


def _write_column(sheet: Worksheet, column: Column, at: int, head: int, lookup: Lookup, *, shade: str) -> None:
    cell = sheet.cell(head, at, column.heading)
    is_upright = _is_narrow(column) and head > 1
    cell.font = Font(name=FONT, size=10, bold=True, color="FFFFFF" if column.is_required else INK)
    cell.fill = fill(MUST if column.is_required else shade)
    cell.alignment = Alignment(
        text_rotation=90 if is_upright else 0, wrap_text=True, vertical="bottom", horizontal="center"
    )
    cell.border = Border(bottom=Side(style="medium", color=INK), left=Side(style="hair", color=HAIR))
    cell.comment = _comment(column)
    letter = get_column_letter(at)
    width = sheet.column_dimensions[letter]
    width.width = _NARROW if is_upright else _width(column)
    width.alignment = Alignment(horizontal="center")
    width.font = Font(name=FONT, size=11)
    if column.form in ("text", "code", "identifier", "string"):
        width.number_format = "@"  # a sign that is typed stays a sign
    check = _validation(column, lookup)
    if check is not None:
        check.add(f"{letter}{head + 1}:{letter}{LAST_ROW}")
        sheet.add_data_validation(check)


def _is_narrow(column: Column) -> bool:
    return (
        column.form in ("percent", "number", "integer")
        or max(map(len, column.entries), default=99) <= 2
        or (column.target in ("finding", "status"))
    )


def _width(column: Column) -> float:
    widest = max([*map(len, column.entries), *(len(word) for word in column.heading.split())], default=8)
    return float(min(max(widest + 3, 10), 24))


def _comment(column: Column) -> Comment:
    text = f"{column.heading}\n{column.hint}"
    return Comment(text, "examtally", height=60 + 18 * (len(text) // 46), width=330)


def _validation(column: Column, lookup: Lookup) -> DataValidation | None:
    """The check of a cell as it is typed; its message names the legal set."""
    blank = not column.is_required
    if column.entries:
        check = DataValidation(type="list", formula1=lookup.range(column.entries), allow_blank=blank)
    elif column.form in ("percent", "integer"):
        check = _between("whole", column, blank)
    elif column.form == "number":
        check = _between("decimal", column, blank)
    elif column.form == "identifier":
        check = DataValidation(type="textLength", operator="between", formula1="3", formula2=str(column.high or 40))
    else:
        return None
    check.errorStyle = "stop"
    check.showErrorMessage = True
    check.errorTitle = column.heading[:32]
    check.error = _message(column)
    return check


def _between(kind: str, column: Column, blank: bool) -> DataValidation:
    low = -1_000_000 if column.low is None else column.low
    high = 1_000_000 if column.high is None else column.high
    return DataValidation(type=kind, operator="between", formula1=str(low), formula2=str(high), allow_blank=blank)


def _message(column: Column) -> str:
    """What may stand here: every entry where there is room, else the signs with an example of what may follow."""
    entries = ", ".join(column.entries)
    if not column.entries:
        return f"Write {column.legal}."
    if len(entries) <= _LONGEST_MESSAGE:
        return f"Write one of: {entries}."
    alone = [entry for entry in column.entries if len(entry) <= 2 and not entry[-1].isdigit()]
    more = [entry for entry in column.entries if entry not in alone]
    return (
        f"Write one of: {', '.join(alone)}; or with more, such as {', '.join((*more[:2], *more[-2:]))}: see the list."
    )


def _fold(sheet: Worksheet, first: int, last: int) -> None:
    """A closed group of columns; its + stands above the column after it."""
    for at in range(first, last + 1):
        dimension = sheet.column_dimensions[get_column_letter(at)]
        dimension.outlineLevel = 1
        dimension.hidden = True
        dimension.collapsed = False
    sheet.column_dimensions[get_column_letter(last + 1)].collapsed = True
    sheet.column_dimensions.max_outline = 1  # without it a spreadsheet program leaves no room for the +


def _mark_missing(sheet: Worksheet, columns: Iterable[Column], head: int) -> None:
    """A row that was begun shows which of its cells must still be filled."""
    columns = tuple(columns)
    row = head + 1
    last = get_column_letter(len(columns))
    for at, column in enumerate(columns, start=1):
        if column.is_required:
            letter = get_column_letter(at)
            begun = f'AND(COUNTA($A{row}:${last}{row})>0,{letter}{row}="")'
            sheet.conditional_formatting.add(
                f"{letter}{row}:{letter}{LAST_ROW}", FormulaRule(formula=[begun], fill=PatternFill(bgColor=WARN))
            )


def _frame(sheet: Worksheet, page: Page, head: int) -> None:
    """What stays in sight while scrolling and how the page is printed."""
    upright = max((len(column.heading) for column in page.columns if _is_narrow(column)), default=0)
    if head > 1:
        sheet.row_dimensions[1].height = 20
        sheet.row_dimensions[head].height = min(max(60, 4.2 * upright), 170)
    else:
        sheet.row_dimensions[head].height = 32
    fixed = min(2, len(page.columns)) if head > 1 else 1
    sheet.freeze_panes = sheet.cell(head + 1, fixed + 1)
    sheet.sheet_view.zoomScale = 100
    sheet.sheet_view.showGridLines = True
    sheet.sheet_properties.tabColor = MUST if head > 1 else INK
    _print_setup(sheet, head, fixed)


def _print_setup(sheet: Any, head: int, fixed: int) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.page_setup.fitToWidth = 0 if sheet.max_column > 25 else 1
    sheet.sheet_properties.pageSetUpPr.fitToPage = sheet.max_column <= 25
    sheet.print_title_rows = f"1:{head}"
    sheet.print_title_cols = f"A:{get_column_letter(fixed)}"
    sheet.oddFooter.center.text = "&A, page &P of &N"
    sheet.page_margins.left = sheet.page_margins.right = 0.4
