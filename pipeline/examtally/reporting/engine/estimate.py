"""One figure of the accuracy table with the counts behind it, and how a reader sees it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from examtally.reporting.engine.numbers import DASH, count, percent, percent_range, ratio, ratio_range

Span = tuple[float, float]
RATIOS = frozenset({"lr_positive", "lr_negative", "diagnostic_odds_ratio"})


@dataclass(frozen=True)
class Estimate:
    """An estimate with limits, `events` of `n` knees and the participants behind them; None where not estimable.

    `shown` is false where too few participants stand behind it: then only the counts are for a reader's eyes.
    """

    measure: str
    value: float | None
    low: float | None
    high: float | None
    events: int
    n: int
    participants: int
    shown: bool
    note: str
    flag: str = ""

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Estimate:
        """Read a row of the accuracy table."""
        return cls(
            row["measure"],
            row["estimate"],
            row["ci_low"],
            row["ci_high"],
            row["events"],
            row["n"],
            row["participants"],
            row["display"] == "estimate",
            row["note"] or "",
            row["flag"] or "",
        )

    @classmethod
    def absent(cls, measure: str) -> Estimate:
        """What stands where the analysis wrote no row: nobody was counted."""
        return cls(measure, None, None, None, 0, 0, 0, shown=False, note="")

    @property
    def is_usable(self) -> bool:
        """Whether there is a value that a reader may see."""
        return self.shown and self.value is not None

    @property
    def number(self) -> str:
        """The value alone, in words where there is none to see."""
        if not self.shown:
            return "too few" if self.n else DASH
        return ratio(self.value) if self.measure in RATIOS else percent(self.value)

    @property
    def limits(self) -> str:
        """The limits alone, empty where there are none to see."""
        if not self.shown:
            return ""
        write = ratio_range if self.measure in RATIOS else percent_range
        return write(self.low, self.high)

    @property
    def counts(self) -> str:
        """The knees behind a proportion."""
        return f"{count(self.events)} of {count(self.n)}" if self.n else ""

    @property
    def spoken(self) -> str:
        """The value with its limits or counts, for a sentence or an alternative text."""
        if not self.shown:
            return f"too few ({self.counts})" if self.n else "none yet"
        return f"{self.number} ({self.limits})" if self.limits else self.number

    @property
    def cell(self) -> str:
        """A table cell: the value, beneath it the limits and, for a proportion, the counts."""
        return self.pair if self.measure in RATIOS or not self.counts else f"{self.pair}\n{self.counts}"

    @property
    def pair(self) -> str:
        """The value and beneath it the limits, without the counts."""
        return f"{self.number}\n{self.limits}" if self.limits else self.number
