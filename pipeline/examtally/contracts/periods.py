"""Reporting periods: calendar months (2026-03) or ordinals (P001), and the quarters they make."""

from __future__ import annotations

import re

PERIOD = r"\d{4}-(0[1-9]|1[0-2])|P\d{3,}"
_MONTH = re.compile(r"(\d{4})-(\d{2})")


def place_of(period: str) -> int:
    """Number of a period on a line on which neighbours are one apart: months since year 0, or the ordinal.

    >>> place_of("2026-01") - place_of("2025-12"), place_of("P012")
    (1, 12)
    """
    month = _MONTH.fullmatch(period)
    return int(month.group(1)) * 12 + int(month.group(2)) - 1 if month else int(period.lstrip("P"))


def quarter_of(period: str) -> tuple[tuple[int, int], bool]:
    """The quarter a period belongs to, and whether the period is its last; ordinals count from P001.

    >>> quarter_of("2026-03"), quarter_of("P004")
    (((2026, 0), True), ((0, 1), False))
    """
    month = _MONTH.fullmatch(period)
    year, number = (int(month.group(1)), int(month.group(2)) - 1) if month else (0, int(period.lstrip("P")) - 1)
    return (year, number // 3), number % 3 == 2
