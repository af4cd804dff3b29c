"""From the cases of learners to the public table of their charts."""

from __future__ import annotations

from functools import lru_cache

import polars as pl

from examtally.analytics.learning_curves.cusum import LEAST_TRUE_SIGNAL, Design, design
from examtally.analytics.learning_curves.followed import follow_all
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.protocol.values import Learning

_CHART = ("condition", "maneuver", "examiner_id", "outcome", "among")
_NOT_DESIGNED = "The limits for these levels and so many planned cases cannot be worked out: no limit is drawn."


def learning_table(cases: pl.DataFrame, protocol: Protocol) -> pl.DataFrame:
    """Follow the chart of every learner, maneuver, condition and outcome, overall and for positives and negatives.

    `cases` has a row a case: condition, maneuver, examiner_id, outcome, period, place (whole numbers that put the
    periods in order), participant, positive (the condition is there, or the supervisor found it positive) and failed.
    Nothing may be missing; the order of the rows does not matter. Positives and negatives have charts of their own
    where `display.min_participants` people stand behind each; the planned number is that of each chart.

    Returns the columns of the public table `learning` without status. Levels and planned number come from the protocol:
    see `design` for the limits and `follow_all` for the path. Where the planned number gives no limit the score is
    still there, with state `followed`, flag `no_limit` and a note that says what the chances would be.
    """
    chosen = protocol.learning
    charts = _charts(cases, protocol.display.min_participants)
    designs = {rule: _designed(chosen, is_monitoring=rule == "cusum") for rule in ("lc_cusum", "cusum")}
    course = follow_all(
        charts["chart"].to_numpy(),
        charts["place"].to_numpy(),
        charts["failed"].to_numpy(),
        designs["lc_cusum"],
        designs["cusum"],
        orders=chosen.orders,
        seed=chosen.seed,
    )
    is_keeping = pl.Series("is_keeping", course.is_keeping)
    return (
        charts.with_columns(
            pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("chart").alias("sequence"),
            pl.Series("score", course.score),
            pl.Series("share_signalled", course.share_signalled),
            pl.Series("is_signal", course.is_signal),
            pl.col("failed").cast(pl.Int64).cum_sum().over("chart").alias("failures"),
            pl.col("participant").n_unique().over("chart").cast(pl.Int64).alias("participants"),
            rule=is_keeping.replace_strict({False: "lc_cusum", True: "cusum"}, return_dtype=pl.String),
        )
        .with_columns(pl.col("failures").last().over("chart", "place"))
        .join(_plan(designs, chosen), on="rule", how="left", maintain_order="left")
        .with_columns(_state(), _flag(protocol.display.min_participants))
        .drop("chart", "place", "participant", "positive", "failed", "is_signal")
    )


def _charts(cases: pl.DataFrame, least: int) -> pl.DataFrame:
    """The cases under each chart they belong to, numbered by chart, in the order of charts and periods."""
    people = pl.col("participant").n_unique().over(_CHART)
    apart = cases.with_columns(
        pl.when("positive").then(pl.lit("positive")).otherwise(pl.lit("negative")).alias("among")
    )
    every = cases.with_columns(pl.lit("all").alias("among"))
    return (
        pl.concat([every, apart.filter(people >= least)])
        .sort(*_CHART, "place", "failed")
        .with_columns((pl.struct(_CHART).rank("dense").cast(pl.Int64) - 1).alias("chart"))
        .sort("chart", "place", "failed", maintain_order=True)
    )


@lru_cache(maxsize=64)
def _designed(chosen: Learning, *, is_monitoring: bool) -> Design:
    return design(
        chosen.p_acceptable, chosen.p_unacceptable, chosen.planned, chosen.false_signal, is_monitoring=is_monitoring
    )


def _plan(designs: dict[str, Design], chosen: Learning) -> pl.DataFrame:
    """What stands beside every case of a rule."""
    return pl.DataFrame(
        [
            {
                "rule": rule,
                "limit": made.limit,
                "false_signal": made.false_signal,
                "true_signal": made.true_signal,
                "p_acceptable": chosen.p_acceptable,
                "p_unacceptable": chosen.p_unacceptable,
                "planned": chosen.planned,
                "orders": chosen.orders,
                "note": None if made.limit is not None else _lacking(made),
            }
            for rule, made in designs.items()
        ],
        schema_overrides={"limit": pl.Float64, "note": pl.String},
    )


def _lacking(made: Design) -> str:
    """Why there is no limit, for a reader."""
    if made.true_signal is None or made.false_signal is None:
        return _NOT_DESIGNED
    return (
        f"{made.planned} planned cases give a true signal a chance of {made.true_signal:.0%} at a false one of "
        f"{made.false_signal:.0%}, under the {LEAST_TRUE_SIGNAL:.0%} asked for: no limit is drawn. Plan more cases, or "
        "declare levels further apart."
    )


def _state() -> pl.Expr:
    is_keeping = pl.col("rule") == "cusum"
    return (
        pl.when(pl.col("limit").is_null()).then(pl.lit("followed"))
        .when(pl.col("is_signal") & is_keeping).then(pl.lit("left"))
        .when("is_signal").then(pl.lit("reached"))
        .when(is_keeping).then(pl.lit("keeping"))
        .otherwise(pl.lit("learning"))
        .alias("state")
    )  # fmt: skip


def _flag(least: int) -> pl.Expr:
    return (
        pl.when(pl.col("limit").is_null()).then(pl.lit("no_limit"))
        .when(pl.col("participants") < least).then(pl.lit("too_few"))
        .alias("flag")
    )  # fmt: skip
