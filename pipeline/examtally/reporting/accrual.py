"""When a young registry may expect its next figure: participants proven so far, and the rate at which they come."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

from examtally.reporting.audit import Audit
from examtally.reporting.numbers import counted

_MONTH = re.compile(r"(\d{4})-(\d{2})")
_SIDES = ("present", "absent")


@dataclass(frozen=True)
class Accrual:
    """Participants proven with and without a condition, those needed of each, and the periods left at this rate.

    `periods_left` is 0 where there are enough, None where nobody with one of the two has come yet, so that nothing can
    be said of the rate.
    """

    present: int
    absent: int
    needed: int
    periods_left: int | None
    unit: str

    @property
    def is_enough(self) -> bool:
        """Whether sensitivity and specificity can be shown."""
        return min(self.present, self.absent) >= self.needed

    @property
    def sentence(self) -> str:
        """What can be said of the time still to wait."""
        have = f"proven with it: {self.present}, without it: {self.absent}, {self.needed} of each are needed"
        if self.is_enough:
            return have
        if self.periods_left is None:
            return f"{have}; no date can be given at the present rate"
        return f"{have}; at the present rate in about {counted(self.periods_left, self.unit)}"


def accrual_of(audit: Audit, condition: str, maneuver: str) -> Accrual:
    """Reckon for one pair of an audit."""
    by_period = [{**audit.tally(condition, maneuver, "period", period), "group": period} for period in audit.periods]
    return accrual(audit.tally(condition, maneuver), by_period, audit.periods, audit.min_participants)


def accrual(
    tally: Mapping[str, int], by_period: Sequence[Mapping[str, Any]], periods: Sequence[str], needed: int
) -> Accrual:
    """Reckon from the tally of a pair, its tallies by period and every period of the registry.

    The rate is participants proven per mature period, from the registry's first period to the last one with a closed
    window; a participant of two periods counts in both, which matters little. The wait runs from the newest period: a
    knee examined then is proven as much later as knees are proven now.
    """
    have = {side: tally[f"participants_{side}"] for side in _SIDES}
    mature = _mature_periods(by_period, periods)
    waits = [
        _wait(needed - have[side], sum(row[f"participants_{side}"] for row in by_period), mature) for side in _SIDES
    ]
    unit = "month" if all(_MONTH.fullmatch(period) for period in periods) else "period"
    left = None if None in waits else max(wait for wait in waits if wait is not None)
    return Accrual(have["present"], have["absent"], needed, left, unit)


def _wait(missing: int, proven: int, periods: int) -> int | None:
    if missing <= 0:
        return 0
    return ceil(missing * periods / proven) if proven else None


def _mature_periods(by_period: Sequence[Mapping[str, Any]], periods: Sequence[str]) -> int:
    """Periods from the registry's first to the newest in which this pair has a closed window, empty ones included."""
    closed = [_place(row["group"]) for row in by_period if row["exams"]]
    return max(closed) - min(_place(period) for period in periods) + 1 if closed else 0


def _place(period: str) -> int:
    month = _MONTH.fullmatch(period)
    return int(month.group(1)) * 12 + int(month.group(2)) if month else int(period.lstrip("P"))
