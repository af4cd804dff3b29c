"""When a young registry may expect its next figure: participants proven so far, and the rate at which they come."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.engine.numbers import count, counted
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence

_MONTH = re.compile(r"(\d{4})-(\d{2})")
_SIDES = ("present", "absent")
_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("present", "with it", "Patients verified"),
    Column("absent", "without it", "Patients verified"),
    Column("open", "Exams whose result may still come"),
    Column("when", "Enough of both"),
)
_COUNTS = (
    Column("sensitivity", "positive, of «nouns» with it", "So far"),
    Column("specificity", "negative, of «nouns» without", "So far"),
)


@dataclass(frozen=True)
class Accrual:
    """Participants proven with and without a condition, those needed of each, and the periods left at this rate.

    `periods_left` is 0 where there are enough, None where nobody with one of the two has come in the `mature` periods,
    those whose results are in, so that nothing can be said of the rate. `waiting` counts exams whose result may still
    come, `unit` says what a period is. `is_withheld`: it is not patients that are missing, so that no date is promised.
    """

    present: int
    absent: int
    needed: int
    waiting: int
    mature: int
    periods_left: int | None
    unit: str
    is_withheld: bool = False

    @property
    def is_enough(self) -> bool:
        """Whether sensitivity and specificity can be shown."""
        return min(self.present, self.absent) >= self.needed

    @property
    def when(self) -> str:
        """When there will be enough, in a few words."""
        if self.is_enough:
            return "now"
        if self.is_withheld:
            return "withheld for another reason"
        if not self.mature:
            return "first results are not due yet" if self.waiting else "no exam yet"
        if self.periods_left is None:
            return "no date at this rate"
        return f"in about {counted(self.periods_left, self.unit)}"

    @property
    def sentence(self) -> str:
        """What there is and what is needed, with the time still to wait."""
        have = f"{counted(self.present, 'patient')} verified with it and {self.absent} without"
        return f"{have}, {self.needed} of each are needed; {self.when}"


def accrual_table(
    audit: Audit, pairs: Sequence[tuple[Condition, Maneuver]], *, caption: str, with_counts: bool = False
) -> str:
    """A table of what each pair has and waits for, with the findings so far if asked; nothing without pairs."""
    rows = [
        {
            "maneuver": f"{maneuver.name}\n{condition.name}",
            "present": _of_needed(item.present, item.needed),
            "absent": _of_needed(item.absent, item.needed),
            "open": count(item.waiting),
            "when": item.when,
            **{measure: audit.estimate(condition.code, maneuver.code, measure).counts or "none" for measure in BOTH},
        }
        for condition, maneuver in pairs
        for item in (accrual_of(audit, condition.code, maneuver.code),)
    ]
    columns = (*_COLUMNS, *_COUNTS) if with_counts else _COLUMNS
    return table(pl.DataFrame(rows), columns, caption=caption) if rows else ""


def accrual_of(audit: Audit, condition: str, maneuver: str) -> Accrual:
    """Reckon for one pair of an audit."""
    by_period = [
        {**audit.tally(condition, maneuver, "period", period), "group": period}
        for period in audit.periods
        if audit.tally(condition, maneuver, "period", period)["exams"]
    ]
    found = accrual(audit.tally(condition, maneuver), by_period, audit.periods, audit.min_participants)
    row = audit.leading.get((condition, maneuver))
    return replace(found, is_withheld=condition in audit.models and row is not None and bool(row["reason"]))


def next_figure(audit: Audit, pairs: Sequence[tuple[Condition, Maneuver]]) -> str:
    """Which of some pairs without a figure comes first and when, a sentence; empty where patients are not missing."""
    waits = [(maneuver, accrual_of(audit, condition.code, maneuver.code)) for condition, maneuver in pairs]
    missing = [(maneuver, item) for maneuver, item in waits if not item.is_enough and not item.is_withheld]
    dated = [(item.periods_left, maneuver, item) for maneuver, item in missing if item.periods_left]
    if dated:
        _, maneuver, item = min(dated, key=lambda one: one[0])
        return f"**Next figure:** {inside_sentence(maneuver.name)}, {item.when}."
    waiting = max((item.waiting for _, item in missing if not item.mature), default=0)
    if waiting:
        return f"**First figures are not due yet:** of {counted(waiting, 'exam')} the result may still come."
    return ""


def accrual(
    tally: Mapping[str, int], by_period: Sequence[Mapping[str, Any]], periods: Sequence[str], needed: int
) -> Accrual:
    """Reckon from the tally of a pair, its tallies by period with results in, and every period of the registry.

    The rate is participants proven per mature period, from the registry's first period to the last one with results; a
    participant of two periods counts in both, which matters little. The wait runs from the newest period: a knee
    examined then is proven as much later as knees are proven now.
    """
    have = {side: tally[f"participants_{side}"] for side in _SIDES}
    mature = _mature_periods(by_period, periods)
    waits = [
        _wait(needed - have[side], sum(row[f"participants_{side}"] for row in by_period), mature) for side in _SIDES
    ]
    known = [wait for wait in waits if wait is not None]
    return Accrual(
        present=have["present"],
        absent=have["absent"],
        needed=needed,
        waiting=tally["window_open"],
        mature=mature,
        periods_left=max(known) if len(known) == len(waits) else None,
        unit="month" if all(_MONTH.fullmatch(period) for period in periods) else "period",
    )


def _of_needed(number: int, needed: int) -> str:
    return f"{number} of {needed}" if number < needed else count(number)


def _wait(missing: int, proven: int, periods: int) -> int | None:
    if missing <= 0:
        return 0
    return ceil(missing * periods / proven) if proven else None


def _mature_periods(by_period: Sequence[Mapping[str, Any]], periods: Sequence[str]) -> int:
    """Periods from the registry's first to the newest in which this pair has results, empty ones included."""
    closed = [_place(row["group"]) for row in by_period]
    return max(closed) - min(_place(period) for period in periods) + 1 if closed else 0


def _place(period: str) -> int:
    month = _MONTH.fullmatch(period)
    return int(month.group(1)) * 12 + int(month.group(2)) if month else int(period.lstrip("P"))
