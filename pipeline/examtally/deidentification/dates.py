"""Dates as they are written in an export, read strictly: a date that can be read in two ways is not guessed at."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable

_TIME = re.compile(r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?)?")
_ISO = ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d")
_FORMS = {
    "year_first": _ISO,
    "day_first": (*_ISO, "%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y", "%d-%b-%Y", "%d %b %Y", "%d. %m. %Y", "%d %B %Y"),
    "month_first": (*_ISO, "%m/%d/%Y", "%m-%d-%Y", "%m.%d.%Y", "%b %d, %Y", "%B %d, %Y"),
}
_YEARS = (1880, 2100)


def read_dates(texts: Iterable[str], order: str) -> dict[str, int | None]:
    """Return the proleptic ordinal of the day in each distinct text, None where it is no date in this order.

    >>> read_dates(["2031-03-14", "14.03.2031 09:30"], "day_first")
    {'2031-03-14': 741515, '14.03.2031 09:30': 741515}
    >>> read_dates(["14.03.31"], "day_first")
    {'14.03.31': None}
    """
    return {text: _ordinal(text, order) for text in texts}


def _ordinal(text: str, order: str) -> int | None:
    day = re.fullmatch(rf"(.*?\d){_TIME.pattern}", text.strip())
    if day is None:
        return None
    for form in _FORMS[order]:
        try:
            found = datetime.datetime.strptime(day[1], form).date()
        except ValueError:
            continue
        if _YEARS[0] <= found.year <= _YEARS[1]:
            return found.toordinal()
    return None
