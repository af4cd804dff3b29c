"""What a monthly report reads: the results folder as of one period, and the committee's actions."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.periods import PERIOD, place_of, spoken
from examtally.errors import ReportError, ResultsError
from examtally.reporting.audit.audit import Audit, open_audit
from examtally.reporting.engine.numbers import percent, share_of
from examtally.reporting.engine.renderer import render
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.monthly.actions import Action, decided, named, read_actions
from examtally.results import read_results

LAST = 12
_SEAL = r"[0-9a-f]{64}"
Row = Mapping[str, Any]
_POINTS = ("calibration_gap",)
_CHART = ("indicator", "group_by", "group")
_JUDGED = ("limit_low", "limit_high", "rule", "chart", "false_signal", "shift", "delay")


def open_month(results: Path | str = "results", period: str = "", actions: str = "", seal: str = "") -> Month:
    """Read what the cells of the report need; without a period the most recent with an exam."""
    now = latest(open_audit(results))
    return replace(now, period=period or now.period, actions=decided(actions), seal=seal)


def latest(audit: Audit) -> Month:
    """The most recent period with an exam; of a registry without any, a period without a name."""
    periods = audit.table("indicators")["period"].drop_nulls()
    return Month(audit, str(periods.max() or ""))


@dataclass(frozen=True, eq=False)
class Month:
    """One period of a registry as its results stand now; periods after it are left out."""

    audit: Audit
    period: str
    actions: tuple[Action, ...] = ()
    seal: str = ""

    @cached_property
    def indicators(self) -> pl.DataFrame:
        """The rows of the indicators table up to this period; a chart that had no baseline then judges nothing."""
        rows = self.audit.table("indicators").filter(pl.col("period") <= self.period)
        points = (pl.col("value").is_not_null() & pl.col("mature")).sum().over(*_CHART)
        is_bare = (pl.col("group_by") == "overall") & (points < LAST)
        judged = (pl.when(~is_bare).then(name).alias(name) for name in ("smoothed", "centre", *_JUDGED))
        return rows.with_columns(*judged, signal=pl.col("signal") & ~is_bare)

    @cached_property
    def periods(self) -> list[str]:
        """Every period with an exam up to this one, oldest first."""
        return sorted(self.indicators.filter(group_by="overall")["period"].unique().to_list())

    @property
    def unit(self) -> str:
        """What a period is called."""
        return "month" if "-" in self.period else "period"

    @property
    def label(self) -> str:
        """The period as it stands in a heading: a month by name, or its ordinal."""
        return spoken(self.period) if "-" in self.period else f"Period {self.period}"

    @property
    def previous(self) -> str | None:
        """The period before, where the registry has exams of it."""
        before = [period for period in self.periods if place_of(period) == place_of(self.period) - 1]
        return before[0] if before else None

    def row(self, indicator: str, period: str | None = None) -> Row | None:
        """The overall row of an indicator in one period (this one where none is named)."""
        return self._overall.get((indicator, period or self.period))

    def series(self, indicator: str, group_by: str = "overall") -> pl.DataFrame:
        """Every row of an indicator up to this period, oldest first."""
        return self.indicators.filter(indicator=indicator, group_by=group_by).sort("period", "group")

    @cached_property
    def signals(self) -> Sequence[Row]:
        """Rows that signal now: the most recent point of its chart with follow-up complete does."""
        judged = self.indicators.filter(pl.col("mature") & (pl.col("group_by") != "site"))
        newest = judged.filter(pl.col("period") == pl.col("period").max().over(*_CHART))
        return newest.filter("signal").sort(*_CHART).rows(named=True)

    @cached_property
    def charts(self) -> Sequence[Row]:
        """The newest row of every chart that can signal, with what it promises."""
        able = self.indicators.filter(pl.col("false_signal").is_not_null() & pl.col("mature"))
        return able.filter(pl.col("period") == pl.col("period").max().over(*_CHART)).sort(*_CHART).rows(named=True)

    @cached_property
    def judged(self) -> Mapping[tuple[str, str, str], str]:
        """By chart the newest period that it judged; none of a chart that is still setting its usual value."""
        is_followed = pl.col("smoothed").is_not_null() | (pl.col("group_by") != "overall")
        rows = self.indicators.filter(pl.col("mature") & pl.col("false_signal").is_not_null() & is_followed)
        return {key_of(row): row["period"] for row in rows.sort("period").iter_rows(named=True)}

    def name(self, row: Row) -> str:
        """How the chart of a row is called."""
        base = self.indicator(row["indicator"])
        if row["group_by"] == "pair":
            condition, maneuver = row["group"].split("/")
            words = self.audit.catalogue
            return f"{base}, {words.maneuvers[maneuver].name} ({inside_sentence(words.conditions[condition].name)})"
        if row["group_by"] == "condition":
            return f"{base}, {inside_sentence(self.audit.catalogue.conditions[row['group']].name)}"
        return f"{base}, site {row['group']}" if row["group_by"] == "site_year" else base

    def indicator(self, code: str) -> str:
        """How an indicator is called."""
        return self.audit.wording.word("indicator", code)

    @cached_property
    def _overall(self) -> dict[tuple[str, str], Row]:
        rows = self.indicators.filter(group_by="overall").iter_rows(named=True)
        return {(row["indicator"], row["period"]): row for row in rows}


def render_monthly(
    results_dir: Path,
    out_dir: Path,
    *,
    period: str,
    actions: Path | None = None,
    seal: str | None = None,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the quality report of one period as `monthly-<period>`; return the pages in the order of `formats`.

    `actions` is the committee's own file of decisions, `seal` the newest of the registry, printed to be
    kept outside it. Raises ResultsError where the folder is not a whole results
    folder or was made without the indicators, ReportError for a period the registry has no exam of and for an actions
    file that is wrong; nothing is written then. A registry without any exam has a short report for every period.
    """
    results = read_results(results_dir)
    if "indicators" not in results.tables:
        raise ResultsError("the results hold no table 'indicators'; run `examtally analyze` again, without --only")
    known = results.tables["indicators"]["period"].unique().sort().to_list()
    if not re.fullmatch(PERIOD, period) or (known and period not in known):
        raise ReportError(f"there is no period {period!r}; use one of {_periods(known)}")
    if seal is not None and not re.fullmatch(_SEAL, seal):
        raise ReportError("that is no seal; give the 64 digits that `examtally ingest` or `verify` printed")
    if actions is not None:
        read_actions(actions)
    if progress is not None:
        progress(f"rendering the quality report of {period}")
    params = {"period": period, "actions": named(actions), "seal": seal or ""}
    return render("monthly", results_dir, out_dir, page=f"monthly-{period}", formats=formats, params=params)


def _periods(known: Sequence[str]) -> str:
    """The legal periods in words; of many, the first and the last."""
    if not known:
        return "a month as 2026-03, or an ordinal as P001"
    return ", ".join(known) if len(known) <= 12 else f"{known[0]} to {known[-1]} as the registry has them"


def key_of(row: Row) -> tuple[str, str, str]:
    """The chart of a row: indicator, grouping and group."""
    return row["indicator"], row["group_by"], row["group"]


def value_of(row: Row) -> str:
    """The value of a row with its counts.

    >>> value_of({"indicator": "verified", "group_by": "overall", "value": 0.5, "numerator": 20, "denominator": 40})
    '20 of 40 (50%)'
    """
    if row["value"] is None:
        return "none"
    return share_of(row["numerator"], row["denominator"]) if _is_share(row) else plain(row, row["value"])


def plain(row: Row, value: float | None) -> str:
    """A number on the scale of its row: a percentage, days, or points of percentage."""
    if value is None:
        return "–"
    if row["indicator"] == "days_to_reference":
        return f"{round(value, 1):g} days"
    if row["indicator"] in _POINTS:
        return f"{round(100 * value):+d} points".replace("-", "−")
    return percent(value)


def moved(row: Row) -> str:
    """What the value is held against: the centre of its chart."""
    if row["centre"] is None or row["value"] is None:
        return "no centre yet"
    return f"usually {plain(row, row['centre'])}"


def _is_share(row: Row) -> bool:
    return row["numerator"] is not None and row["indicator"] not in _POINTS
