"""The hidden sheet with the lists behind the drop-downs: a list may be longer than a check of a cell can hold."""

from __future__ import annotations

from openpyxl import Workbook
from openpyxl.utils import get_column_letter

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
