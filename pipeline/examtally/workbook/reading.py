"""The pages of the workbook that are read, not filled in: where to start, the maneuvers, the conditions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.worksheet.worksheet import Worksheet

from examtally.contracts.contract import Contract
from examtally.workbook.form import in_words, workbook_form
from examtally.workbook.layout import FONT, HAIR, INK, PALE, Page, fill


def write_cover(book: Workbook, contract: Contract, made: Iterable[Page]) -> None:
    """Add the page to start with: what to write where, and what to look for before any exam."""
    form, said = workbook_form(), contract.catalogue.noun.said
    sheet = book.create_sheet(form.cover)
    sheet.column_dimensions["A"].width = 3
    sheet.column_dimensions["B"].width = 24
    sheet.column_dimensions["C"].width = 96
    row = _line(sheet, 1, "B", f"{contract.catalogue.title}: records of the exam and its answer", size=16)
    made = tuple(made)
    is_ours = any(page.bands and page.form.bands for page in made)
    row = _block(sheet, row + 1, "The sheets", [(page.form.sheet, page.form.says) for page in made])
    for heading, lines in form.instructions if is_ours else form.instructions[:2]:
        row = _block(sheet, row + 1, said(heading), [("", said(line)) for line in lines])
    row = _block(
        sheet,
        row + 1,
        "Look for these first",
        [("", line) for line in contract.catalogue.quick_rule_out],
        is_warning=True,
    )
    _for_print(sheet, "portrait")
    sheet.sheet_view.showGridLines = False


def write_catalogue(book: Workbook, contract: Contract) -> None:
    """Add the page of the maneuvers: how each is done, what counts as positive, and what to beware of."""
    conditions = contract.catalogue.conditions
    heads = ("Phase", "Maneuver", "Core", "How it is done", "Positive when", "Grades", "Beware", "Speaks of")
    rows = [
        (
            maneuver.phase.capitalize(),
            maneuver.name,
            "core" if maneuver.core else "",
            maneuver.technique,
            maneuver.positive,
            "\n".join(f"{grade}: {label}" for grade, label in maneuver.grades.items()),
            "\n".join(maneuver.cautions),
            "\n".join(conditions[code].name for code in maneuver.conditions),
        )
        for maneuver in contract.catalogue.maneuvers.values()
    ]
    _table(book.create_sheet("Catalogue"), heads, (9, 24, 7, 62, 36, 36, 44, 26), rows)


def write_conditions(book: Workbook, contract: Contract) -> None:
    """Add the page of the conditions: what present means, and which reading settles it."""
    modalities = contract.catalogue.modalities
    heads = ("Condition", "In plain words", "Present means", "Settled by, in order", "Severity")
    rows = [
        (
            condition.name,
            condition.plain,
            condition.present_means,
            "\n".join(modalities[code].name for code in condition.modalities) or condition.unsettled_note or "",
            "\n".join(in_words(one.code) for one in condition.severity),
        )
        for condition in contract.catalogue.conditions.values()
    ]
    _table(book.create_sheet("Conditions"), heads, (30, 46, 56, 34, 18), rows)


def _line(sheet: Worksheet, row: int, column: str, text: str, *, size: int) -> int:
    cell = sheet[f"{column}{row}"]
    cell.value = text
    cell.font = Font(name=FONT, size=size, bold=True, color=INK)
    return row + 1


def _block(
    sheet: Worksheet, row: int, heading: str, lines: Sequence[tuple[str, str]], *, is_warning: bool = False
) -> int:
    row = _line(sheet, row, "B", heading, size=12)
    for name, text in lines:
        for column, value in (("B", name), ("C", text)):
            cell = sheet[f"{column}{row}"]
            cell.value = value or None
            cell.font = Font(name=FONT, size=11, bold=column == "B", color=INK)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        if is_warning:
            sheet[f"C{row}"].border = Border(left=Side(style="thick", color="A34A00"))
        sheet.row_dimensions[row].height = 15.5 * (1 + len(text) // 100)
        row += 1
    return row


def _table(sheet: Worksheet, heads: Sequence[str], widths: Sequence[int], rows: Sequence[Sequence[str]]) -> None:
    sheet.append(list(heads))
    for row in rows:
        sheet.append([cell or None for cell in row])
    for at, width in enumerate(widths, start=1):
        sheet.column_dimensions[sheet.cell(1, at).column_letter].width = width
        head = sheet.cell(1, at)
        head.font = Font(name=FONT, size=11, bold=True, color="FFFFFF")
        head.fill = fill(INK)
    for number, cells in enumerate(sheet.iter_rows(min_row=2), start=2):
        for cell in cells:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            cell.font = Font(name=FONT, size=10, bold=cell.column == 1 or heads[cell.column - 1] == "Maneuver")
            cell.border = Border(bottom=Side(style="hair", color=HAIR))
            if number % 2:
                cell.fill = fill(PALE)
        sheet.row_dimensions[number].height = 13.5 * max(
            _lines(str(cell.value or ""), width) for cell, width in zip(cells, widths, strict=True)
        )
    sheet.freeze_panes = "C2" if heads[1] == "Maneuver" else "B2"
    sheet.auto_filter.ref = sheet.dimensions
    sheet.print_title_rows = "1:1"
    _for_print(sheet, "landscape")


def _lines(text: str, width: int) -> int:
    return max(1, sum(1 + len(line) // max(width, 1) for line in text.split("\n")))


def _for_print(sheet: Worksheet, orientation: str) -> None:
    sheet.page_setup.orientation = orientation
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.center.text = "&A, page &P of &N"
