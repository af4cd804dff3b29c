"""The indicators table: every count by period with the chart it can bear, sites beside each other, and what drifts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.control_charts.chart import YEAR, Chart, share_chart, value_chart
from examtally.analytics.control_charts.funnel import funnel
from examtally.analytics.intervals import FloatArray
from examtally.contracts.protocol.models import CHARTED

LEAST_EXAMINERS = 3
MERGED = "merged"
NAMELESS = (MERGED, "unknown")


def merged_sites(sites: pl.DataFrame) -> dict[str, str]:
    """Return under which name each site is shown; empty where fewer than two names would remain.

    `sites`: site, examiners. A site with fewer than three examiners is merged; where the merged ones together still
    have fewer, the smallest other site joins them, so that nobody can be told by subtraction.

    >>> merged_sites(pl.DataFrame({"site": ["A", "B", "C", "D"], "examiners": [5, 4, 3, 1]}))
    {'A': 'A', 'B': 'B', 'C': 'merged', 'D': 'merged'}
    >>> merged_sites(pl.DataFrame({"site": ["A", "B"], "examiners": [5, 1]}))
    {}
    """
    ranked = sorted(sites.select("examiners", "site").iter_rows())
    small = [site for examiners, site in ranked if examiners < LEAST_EXAMINERS]
    held = sum(examiners for examiners, _ in ranked if examiners < LEAST_EXAMINERS)
    if 0 < held < LEAST_EXAMINERS and len(small) < len(ranked):
        small.append(ranked[len(small)][1])
    names = {site: MERGED if site in small else site for site in sorted(site for _, site in ranked)}
    return names if len(set(names.values())) > 1 else {}


OF_RECORDS = ("exams_seen", "core_complete", "probability_stated", "equivocal", "examiner_blinded", "held_back")
LAST = 12
FEWEST_SITES = 5
_NO_LIMITS = "Limits need 12 mature periods with cases; so far there are points alone."

Row = dict[str, Any]


def watched_rows(
    counts: pl.DataFrame,
    periods: pl.DataFrame,
    sites: pl.DataFrame,
    baseline_from: Mapping[str, str],
    false_signal: float,
) -> Iterator[Row]:
    """Yield the rows of every indicator that is a count: overall with its chart, by site, and the funnel of sites.

    `counts`: period, site (null: of no site), indicator, numerator, denominator (null for a plain count). `periods`:
    period, records_open, answers_open, every period of the registry, oldest first. `sites`: site, examiners.
    `baseline_from`: the period from which the chart of an indicator begins, where it is not the first. `false_signal`:
    chance of a false signal of each chart within twelve periods.
    """
    names = merged_sites(sites)
    for (indicator,), part in counts.group_by("indicator", maintain_order=True):
        is_open = periods["records_open" if indicator in OF_RECORDS else "answers_open"]
        mature = dict(zip(periods["period"], ~is_open, strict=True))
        whole = _summed(part, ["period"]).sort("period")
        yield from _overall(str(indicator), whole, mature, baseline_from, false_signal)
        if names:
            of_sites = part.filter(pl.col("site").is_not_null()).with_columns(pl.col("site").replace_strict(names))
            yield from _by_site(str(indicator), of_sites, mature, false_signal)


def days_rows(
    days: pl.DataFrame, periods: pl.DataFrame, baseline_from: Mapping[str, str], false_signal: float
) -> Iterator[Row]:
    """Yield the median days to an answer by period, with its chart; `days`: period, days, exams."""
    known = dict(zip(periods["period"], ~periods["answers_open"], strict=True))
    by_period = {key[0]: part for key, part in days.group_by("period")}
    medians = {
        period: float(np.median(np.repeat(part["days"].to_numpy(), part["exams"].to_numpy())))
        for period, part in by_period.items()
    }
    rows: list[Row] = [
        {
            **_row(period, "overall", "all", "days_to_reference", mature=is_mature),
            "denominator": int(by_period[period]["exams"].sum()) if period in by_period else 0,
            "value": medians.get(period),
        }
        for period, is_mature in sorted(known.items())
    ]
    closed = _closed(rows, baseline_from)
    values = np.array([np.nan if row["value"] is None else row["value"] for row in closed])
    _apply(value_chart(values, false_signal), closed)
    yield from rows


def _overall(
    indicator: str,
    whole: pl.DataFrame,
    mature: dict[str, bool],
    baseline_from: Mapping[str, str],
    false_signal: float,
) -> Iterator[Row]:
    rows = list(_counted(whole, "overall", "all", indicator, mature))
    closed = _closed(rows, baseline_from)
    if indicator in CHARTED and closed:
        pairs = [(row["numerator"] or 0, row["denominator"] or 0) for row in closed]
        events, sizes = np.array(pairs, dtype=np.int64).T
        _apply(share_chart(events, sizes, false_signal), closed)
    yield from rows


def _closed(rows: list[Row], baseline_from: Mapping[str, str]) -> list[Row]:
    """The mature rows that a chart judges, from its baseline on."""
    return [row for row in rows if row["mature"] and row["period"] >= baseline_from.get(row["indicator"], "")]


def _by_site(indicator: str, part: pl.DataFrame, mature: dict[str, bool], false_signal: float) -> Iterator[Row]:
    summed = _summed(part, ["site", "period"]).sort("site", "period")
    for (site,), rows in summed.group_by("site", maintain_order=True):
        yield from _counted(rows, "site", str(site), indicator, mature)
    last = [period for period, is_mature in sorted(mature.items()) if is_mature][-LAST:]
    if indicator in CHARTED and len(last) == LAST:
        year = summed.filter(pl.col("period").is_in(last), ~pl.col("site").is_in(NAMELESS))
        totals = _summed(year, ["site"]).filter(pl.col("denominator") > 0).sort("site")
        if totals.height >= FEWEST_SITES:
            yield from _funnel(indicator, totals, last[-1], false_signal / len(CHARTED) / totals.height / YEAR)


def _funnel(indicator: str, totals: pl.DataFrame, period: str, false_signal: float) -> Iterator[Row]:
    made = funnel(totals["numerator"].to_numpy(), totals["denominator"].to_numpy(), 1 - false_signal)
    columns = zip(totals.iter_rows(named=True), made.low, made.high, made.outside, strict=True)
    for row, low, high, is_outside in columns:
        yield {
            **_row(period, "site_year", row["site"], indicator, mature=True),
            **{"numerator": row["numerator"], "denominator": row["denominator"]},
            "value": row["numerator"] / row["denominator"],
            **{"centre": made.centre, "limit_low": float(low), "limit_high": float(high)},
            **{"signal": bool(is_outside), "rule": "funnel" if is_outside else None, "chart": "funnel"},
            "false_signal": false_signal,
        }


def _summed(counts: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """Counts added up; a denominator stays missing where it is missing."""
    whole = pl.when(pl.col("denominator").count() > 0).then(pl.col("denominator").sum())
    return counts.group_by(keys).agg(pl.col("numerator").sum(), whole.alias("denominator"))


def _counted(rows: pl.DataFrame, group_by: str, group: str, indicator: str, mature: dict[str, bool]) -> Iterator[Row]:
    for period, numerator, denominator in rows.select("period", "numerator", "denominator").iter_rows():
        yield {
            **_row(period, group_by, group, indicator, mature=mature[period]),
            **{"numerator": numerator, "denominator": denominator},
            "value": numerator / denominator if denominator else None,
        }


def _row(period: str, group_by: str, group: str, indicator: str, *, mature: bool) -> Row:
    keys = {"period": period, "group_by": group_by, "group": group, "indicator": indicator}
    return {**keys, "mature": mature, "signal": False, "rule": None, "note": None}


def _apply(made: Chart | None, rows: list[Row]) -> None:
    """Write average, centre, limits, rule and promise of a chart into its rows; without a chart they get a note."""
    if made is None:
        _note(rows, _NO_LIMITS)
        return
    promise = made.promise
    for place, row in enumerate(rows):
        row |= {
            **{"smoothed": _known(made.smoothed, place), "centre": made.centre},
            **{"limit_low": _known(made.low, place), "limit_high": _known(made.high, place)},
            **{"signal": bool(made.rules[place]), "rule": made.rules[place] or None, "chart": "ewma"},
            **{"false_signal": promise.false_signal, "shift": promise.shift, "delay": promise.delay},
        }


def _note(rows: list[Row], note: str) -> None:
    for row in rows:
        row["note"] = note


def _known(values: FloatArray, place: int) -> float | None:
    return None if np.isnan(values[place]) else float(values[place])
