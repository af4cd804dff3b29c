"""What is watched month by month."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import polars as pl

from examtally.analytics.bias_adjusted.missed import expected_missed, with_expected
from examtally.analytics.control_charts.chart import YEAR
from examtally.analytics.control_charts.indicators import days_rows, watched_rows
from examtally.analytics.control_charts.rolling import rolling_accuracy, rolling_calibration
from examtally.cohort.forecasts import read_stated
from examtally.cohort.monitoring import Watched, read_watched
from examtally.contracts.protocol.models import CHARTED
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import result_tables
from examtally.results import intake_tables
from examtally.results.steps import leading
from examtally.results.steps.accuracy import tallies
from examtally.results.work import Work


def indicators(work: Work) -> pl.DataFrame:
    """Quality indicators by period, with the limits of their charts and what signals."""
    cohort = work.cohort
    work.say("Watching quality month by month")
    watched = read_watched(cohort.con, work.contract, work.protocol)
    newest = cohort.con.sql(
        "select batch_no::bigint as batch_no, max(period) as period from used_exams group by batch_no order by batch_no"
    ).pl()
    held = held_back_by_period(intake_tables.read_batches(work.registry.con), newest)
    frame = indicator_frame(watched, held, work.once(tallies), work.protocol)
    if work.wants_corrections:
        core = [code for code, condition in work.contract.catalogue.conditions.items() if condition.core]
        models, unlikely = work.once(leading.models), work.protocol.monitoring.unlikely
        frame = with_expected(frame, expected_missed(read_stated(cohort.con), models, core, unlikely))
    return work.conform("indicators", frame)


def indicator_frame(
    watched: Watched, held_back: pl.DataFrame, tallies: pl.DataFrame, protocol: Protocol
) -> pl.DataFrame:
    """Return the rows of the indicators table: what was counted, charted, compared between sites, and what drifts."""
    baselines = protocol.monitoring.baseline_from
    share = protocol.monitoring.false_signals_a_year / (len(CHARTED) + 2)  # drift and sites: one share each
    rows = [
        *watched_rows(pl.concat([watched.counts, held_back]), watched.periods, watched.sites, baselines, share),
        *days_rows(watched.days, watched.periods, baselines, share),
        *_drifting(watched, tallies.filter(group_by="period"), protocol, share),
    ]
    schema = result_tables()["indicators"].schema
    return pl.DataFrame(rows, schema={name: kind for name, kind in schema.items() if name not in ("status", "flag")})


def held_back_by_period(batches: pl.DataFrame, newest: pl.DataFrame) -> pl.DataFrame:
    """Return lines held back, of new lines, in the period of the newest exam that their batch, or one before, brought.

    `batches` is the table of that name, `newest` holds batch_no and period. A held-back line has no period of its own;
    a line sent again and stored already is not new.
    """
    new = batches.with_columns(lines=pl.col("lines") - pl.col("unchanged"))
    by_batch = new.group_by("batch_no").agg(pl.col("held_back", "lines").sum()).sort("batch_no")
    place = pl.col("period").rank("dense").cum_max().forward_fill().backward_fill()
    placed = by_batch.join(newest, on="batch_no", how="left", maintain_order="left").with_columns(place.alias("place"))
    names = placed.drop_nulls("period").select(pl.col("period").rank("dense").alias("place"), "period").unique()
    summed = placed.group_by("place").agg(pl.col("held_back", "lines").sum()).join(names, on="place").sort("period")
    return summed.select(
        "period",
        pl.lit(None, pl.String).alias("site"),
        pl.lit("held_back").alias("indicator"),
        pl.col("held_back").cast(pl.Int64).alias("numerator"),
        pl.col("lines").cast(pl.Int64).alias("denominator"),
    )


def _drifting(
    watched: Watched, by_period: pl.DataFrame, protocol: Protocol, false_signal: float
) -> Iterator[dict[str, Any]]:
    """Accuracy of the core maneuvers and calibration for the core conditions, over the last twelve mature periods.

    All their figures together signal falsely within twelve periods with at most the chance `false_signal`.
    """
    needed = protocol.display.min_participants
    conditions = watched.conditions["condition"].unique()
    pairs = by_period.filter(pl.col("condition").is_in(conditions.implode()), pl.col("maneuver").is_in(protocol.core))
    figures = 2 * pairs.select("condition", "maneuver").n_unique() + conditions.len()
    each = false_signal / max(1, figures) / YEAR
    for (condition,), part in watched.conditions.group_by("condition", maintain_order=True):
        closed = part.filter(~pl.col("is_open"))["period"].to_list()
        for maneuver in protocol.core:
            pair = by_period.filter(pl.col("group").is_in(closed), condition=condition, maneuver=maneuver)
            yield from map(_rolling, rolling_accuracy(pair.sort("group"), str(condition), maneuver, needed, each))
        stated = watched.stated.filter(condition=condition)
        yield from map(_rolling, rolling_calibration(stated, closed, str(condition), needed, each))


def _rolling(row: dict[str, Any]) -> dict[str, Any]:
    return {"mature": True, "signal": False, **row, **({"chart": "rolling"} if row.get("centre") is not None else {})}


def batches(work: Work) -> pl.DataFrame:
    """The batches stored."""
    return work.conform("batches", intake_tables.read_batches(work.registry.con))


def held_back(work: Work) -> pl.DataFrame:
    """Rows held back, by rule."""
    return work.conform("held_back", intake_tables.read_held_back(work.registry.con))


def intake_checks(work: Work) -> pl.DataFrame:
    """The expectations of each batch and how they came out."""
    return work.conform("intake_checks", intake_tables.read_intake_checks(work.registry.con))


def assumptions(work: Work) -> pl.DataFrame:
    """What the mappings took for granted."""
    return work.conform("assumptions", intake_tables.read_assumptions(work.registry.con))
