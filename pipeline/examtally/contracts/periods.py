"""Reporting periods: calendar months (2026-03) or ordinals (P001)."""

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
