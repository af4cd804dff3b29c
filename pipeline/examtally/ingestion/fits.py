"""How well the values of a column fit what it was taken for."""

from __future__ import annotations

import re
from collections.abc import Callable

from examtally.contracts.mapping import fold
from examtally.ingestion.looking import Column


def parts(value: str) -> list[str]:
    """Return the parts of a cell that may hold several things."""
    return [part for part in re.split(r"[ ,;]+", fold(value)) if part]


def share_of(column: Column, is_so: Callable[[str], bool]) -> float:
    """Return the share of the lines with a value that is so; 0 where there is none."""
    total = sum(lines for _, lines in column.values)
    return sum(lines for value, lines in column.values if is_so(value)) / total if total else 0.0


def numbers(column: Column, low: float, high: float) -> float:
    """Return the share of the lines with a number from low to high."""

    def is_within(value: str) -> bool:
        try:
            return low <= float(value.strip(" %").replace(",", ".")) <= high
        except ValueError:
            return False

    return share_of(column, is_within)
