"""How well the values of a column fit what it was taken for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping

from examtally.contracts.mapping.mapping import fold
from examtally.ingestion.drafting.profiling import Column

PERIOD = re.compile(r"[0-9]{4}-(0[1-9]|1[0-2])|P[0-9]{3}")
_MONTH = r"(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
DAY_MONTH = rf"\d{{1,2}}\.?[- ]{_MONTH}[- ,]+\d{{4}}"
MONTH_DAY = rf"{_MONTH} \d{{1,2}},? \d{{4}}"
"""Dates with the name of a month, by what comes first; patterns without regard to capitals."""
_NEARLY_ALL, _MOST, _HALF = 0.95, 0.7, 0.5
_FEW_VALUES = 15
_OWN_WORDS = ("examiners.role", "participants.activity", "exams.mechanism", "exams.setting", "references.modality")


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


def told_by_values(
    column: Column, words: Callable[[str], Mapping[str, str]], *, is_long: bool, is_paired: bool, of_readings: bool
) -> Iterator[str]:
    """Yield the places (`table.column`) that the values of a column speak for whatever its name is.

    Months, and words of a vocabulary that no other column uses; `words` gives the vocabulary of a place. Where the
    export is `is_long`, results too; where it is one
    `of_readings`, status and severity; where one line speaks of both knees (`is_paired`), the affected side.
    """
    if share_of(column, lambda value: PERIOD.fullmatch(value) is not None) > _NEARLY_ALL:
        yield "exams.period"
    seen = {fold(value) for value, _ in column.values}
    yes_or_no = words("exams.complaint")
    least = dict.fromkeys(_OWN_WORDS, _NEARLY_ALL) | ({"findings.result": _MOST} if is_long else {})
    least |= {"references.status": _MOST, "references.severity": _MOST} if of_readings else {}
    for name, share in least.items():
        own = words(name)
        telling = {own[value] for value in seen if value in own and (is_long or value not in yes_or_no)}
        is_worded = not any(value.isdigit() for value in seen)
        if len(telling) > 1 and is_worded and _share_in(column, own) > share:
            yield name
    sides = words("exams.side")
    if is_paired and len(seen) <= _FEW_VALUES and _share_in(column, sides) > _HALF:
        yield "exams.complaint"


def _share_in(column: Column, words: Mapping[str, str]) -> float:
    return share_of(column, lambda value: fold(value) in words)
