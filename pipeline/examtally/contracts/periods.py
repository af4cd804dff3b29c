"""Reporting periods: calendar months (2026-03) or ordinals (P001)."""

from __future__ import annotations

import re
from calendar import month_name

PERIOD = r"\d{4}-(0[1-9]|1[0-2])|P\d{3,}"
_MONTH = re.compile(r"(\d{4})-(\d{2})")


def place_of(period: str) -> int:
    """Number of a period on a line on which neighbours are one apart: months since year 0, or the ordinal.

    >>> place_of("2026-01") - place_of("2025-12"), place_of("P012")
    (1, 12)
    """
    month = _MONTH.fullmatch(period)
    return int(month.group(1)) * 12 + int(month.group(2)) - 1 if month else int(period.lstrip("P"))


def later(period: str, many: int) -> str:
    """The period so many after this one.

    >>> later("2026-11", 3), later("P018", 12)
    ('2027-02', 'P030')
    """
    place = place_of(period) + many
    return f"{place // 12}-{place % 12 + 1:02}" if _MONTH.fullmatch(period) else f"P{place:03}"


def spoken(period: str) -> str:
    """A period as it stands in a sentence: a month by its name, an ordinal as it is.

    >>> spoken("2027-02"), spoken("P030")
    ('February 2027', 'P030')
    """
    month = _MONTH.fullmatch(period)
    return f"{month_name[int(month.group(2))]} {month.group(1)}" if month else period
