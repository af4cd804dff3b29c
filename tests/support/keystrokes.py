"""How much typing a row of the workbook takes, counted on the rows themselves.

A keystroke is a character, a Shift, a Tab to the next open column (blank or not), or the Enter that ends a row. A word
of a drop-down is typed in full, or until it is the only one of its list that begins so, where the program completes it.
Seconds by the keystroke-level model (Card, Moran & Newell, Commun ACM 1980;23:396): 0.28 a keystroke of an average
typist, and 1.35 for each cell that is thought about or read off the sheet.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from examtally.workbook.layout import Column, Page

KEY, THOUGHT = 0.28, 1.35
SHIFTED = set('+?_:"') | set("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
COPIED = ("period", "examiner_id", "setting")  # Ctrl and D takes them from the row above


@dataclass(frozen=True)
class Effort:
    """Cells filled and keystrokes of a row."""

    cells: int
    keys: int

    @property
    def seconds(self) -> tuple[float, float]:
        """By keystrokes alone, and with a thought for each cell."""
        return KEY * self.keys, KEY * self.keys + THOUGHT * self.cells


def effort(page: Page, row: dict[str, str], *, is_completed: bool) -> Effort:
    """The effort of one row (by heading) in the open columns; `is_completed`: words complete, three are copied."""
    cells = keys = 0
    for column in open_columns(page):
        text = row.get(column.heading, "")
        cells += bool(text)
        keys += 1  # Tab or Enter
        if is_completed and column.code in COPIED and column.target == "field" and text:
            keys += 2
        else:
            keys += sum(1 + (sign in SHIFTED) for sign in _typed(text, column, is_completed=is_completed))
    return Effort(cells, keys)


def open_columns(page: Page) -> list[Column]:
    """The columns that are not in a closed group."""
    return [column for band in page.bands if not band.is_folded for column in band.columns]


def _typed(text: str, column: Column, *, is_completed: bool) -> str:
    if not is_completed or len(text) < 3 or text not in column.entries:
        return text
    return next(text[:end] for end in range(1, len(text) + 1) if _alone(text[:end], column.entries))


def _alone(begin: str, entries: Iterable[str]) -> bool:
    return sum(entry.startswith(begin) for entry in entries) == 1 or begin in entries
