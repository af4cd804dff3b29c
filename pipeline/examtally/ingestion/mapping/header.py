"""The columns of an export, found by name whatever their case and spaces; spoken of by place, in a sheet by letters."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from examtally.contracts.mapping.mapping import fold
from examtally.ingestion.reading.sheet import column_letters


class Header:
    """Column names in order; a place counts from 1."""

    def __init__(self, names: Sequence[str], sheet_columns: Sequence[int] | None = None) -> None:
        self.names = tuple(names)
        self._sheet_columns = sheet_columns
        self._folded = [fold(name) for name in names]
        self._places: dict[str, int] = {}
        self.repeated: set[str] = set()
        for place, name in enumerate(self._folded, start=1):
            if name in self._places:
                self.repeated.add(name)
            self._places.setdefault(name, place)

    def place(self, name: str) -> int | None:
        """Return the place of a column, None where there is none."""
        return self._places.get(fold(name))

    def label(self, place: int) -> str:
        """Return how a column is spoken of: its place, or its letters in a sheet."""
        return str(place) if self._sheet_columns is None else column_letters(self._sheet_columns[place - 1])

    def is_repeated(self, name: str) -> bool:
        """Whether several columns have this name."""
        return fold(name) in self.repeated

    def like(self, patterns: Iterable[str]) -> dict[str, tuple[int, ...]]:
        """Return the places of the columns that each pattern names, `*` standing for any letters."""
        found = {}
        for pattern in patterns:
            form = re.compile(re.escape(fold(pattern)).replace(r"\*", ".*"), re.DOTALL)
            found[pattern] = tuple(
                place for place, name in enumerate(self._folded, start=1) if form.fullmatch(name) is not None
            )
        return found
