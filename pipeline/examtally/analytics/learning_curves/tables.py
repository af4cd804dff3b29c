"""From the cases of learners to the public table of their charts: knees with the condition and those without apart.

A finding can agree by habit: whoever always writes "negative" is right in every knee without the condition. So each
learner has a chart for either side, and the target counts as reached only where both have reached theirs.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import polars as pl

from examtally.analytics.learning_curves.cusum import LEAST_TRUE_SIGNAL, CusumDesign, design
from examtally.analytics.learning_curves.followed import follow_all
from examtally.contracts.protocol.models import Learning
from examtally.contracts.protocol.protocol import Protocol

_PAIR = ("condition", "maneuver", "outcome")
_LEARNER = (*_PAIR, "examiner_id")
_CHART = (*_LEARNER, "among")
_SIDES = {"positive": "present", "negative": "absent"}
_RIGHT = {"condition": pl.String, "positive": pl.Boolean, "right": pl.Float64}
_LEAST_RIGHT = 0.01  # keeps the levels apart where a status is hardly ever right
LEAST_CASES = 10
_STEP = 0.05  # targets are declared in steps of five points
_NOT_DESIGNED = "The limits for these levels and so many planned cases cannot be worked out: no limit is drawn."
_NO_ROOM = (
    "The supervisors' own figures, or the errors of the reference, leave too little room between the target and a "
    "guess on the two sides together: no limit is drawn."
)


def learning_table(
    cases: pl.DataFrame, supervisors: pl.DataFrame, protocol: Protocol, right: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Follow the charts of every learner, maneuver, condition and outcome, one for positives and one for negatives.

    `cases` has a row a case: condition, maneuver, examiner_id, outcome, period, place (whole numbers that put the
    periods in order), participant, positive (the condition is there, or the supervisor found it positive) and failed.
    `supervisors` counts their own: condition, maneuver, outcome, positive, cases, failures, participants. `right` is
    the share of the reference's statuses that are so: condition, positive (called present), right; a condition without
    a row is taken as it is called. Nothing may be missing; the order of the rows does not matter.

    Target: what the supervisors fail plus `learning.margin`, so never stricter than they themselves reach, where
    `display.min_participants` people stand behind their figure on each side; else the protocol's levels, which speak of
    the knee, raised by what the reference errs. Supervisors were held against the same reference: its errors are in
    their figure, so that on neither way an error of it is booked as the learner's (see `_against_status`). A target
    under which a guess could pass (the two unacceptable shares together above 1) has no limit: whoever does not look
    fails 1 on the two sides together. Limits: see `design`; path: `follow_all`. Where the planned number gives no limit
    the score is still there, with state `followed`, flag `no_limit` and a note with the chances.

    `standing` is that of both sides at the end of the period. Returns the columns of the table `learning` but status.
    """
    chosen = protocol.learning
    charts = _charts(cases, _targets(cases, supervisors, right, protocol))
    followed = [
        _followed(part, replace(chosen, p_acceptable=float(low), p_unacceptable=float(high)))
        for (low, high), part in charts.group_by("p_acceptable", "p_unacceptable", maintain_order=True)
    ]
    rows = pl.concat(followed) if followed else _followed(charts, chosen)
    return (
        rows.sort(*_CHART, "sequence")
        .join(_standing(rows), on=[*_LEARNER, "place"], how="left", maintain_order="left")
        .with_columns(_flag(protocol.display.min_participants), outcome_side=pl.col("among").replace_strict(_SIDES))
        .drop("chart", "place", "participant", "positive", "failed", "is_signal")
    )


def _targets(
    cases: pl.DataFrame, supervisors: pl.DataFrame, right: pl.DataFrame | None, protocol: Protocol
) -> pl.DataFrame:
    """The levels of each pair and side: condition, maneuver, outcome, positive, p_acceptable, p_unacceptable."""
    chosen = protocol.learning
    gap = chosen.p_unacceptable - chosen.p_acceptable
    steps = (pl.col("failures") / pl.col("cases") + chosen.margin) / _STEP
    own = (
        supervisors.filter(pl.col("participants") >= protocol.display.min_participants)
        .filter(pl.len().over(_PAIR) == len(_SIDES))
        .with_columns(((steps - 1e-9).ceil() * _STEP).round(2).clip(_STEP, 1 - gap - _STEP).alias("p_acceptable"))
    )
    shares = pl.DataFrame(schema=_RIGHT) if right is None else right
    sides = cases.select(*_PAIR).unique().join(pl.DataFrame({"positive": [True, False]}), how="cross")
    return (
        sides.join(own, on=[*_PAIR, "positive"], how="left")
        .join(shares, on=["condition", "positive"], how="left")
        .with_columns(right=pl.when(outcome="reference").then("right").fill_null(1.0))
        .select(
            *_PAIR,
            "positive",
            pl.col("p_acceptable").fill_null(_against_status(chosen.p_acceptable, chosen.p_acceptable)),
            (pl.col("p_acceptable") + gap)
            .round(2)
            .fill_null(_against_status(chosen.p_unacceptable, chosen.p_acceptable))
            .alias("p_unacceptable"),
        )
    )


def _against_status(failing: float, failing_elsewhere: float) -> pl.Expr:
    """The share of findings that differ from a status which is `right` so often, by shares that differ from the truth.

    Where the status is wrong, a finding differs from it when it is right. The log-likelihood ratio of two such shares
    is that of the finding with the status summed over, so that the exact limits hold.
    """
    right = pl.col("right").clip(_LEAST_RIGHT)
    return right * failing + (1 - right) * (1 - failing_elsewhere)


def _charts(cases: pl.DataFrame, targets: pl.DataFrame) -> pl.DataFrame:
    """The cases with their target, numbered by chart, in the order of charts and periods."""
    room = targets.group_by(_PAIR).agg((pl.col("p_unacceptable").sum() <= 1 + 1e-9).alias("has_room"))
    among = pl.when("positive").then(pl.lit("positive")).otherwise(pl.lit("negative"))
    return (
        cases.join(targets, on=[*_PAIR, "positive"], how="left")
        .join(room, on=_PAIR, how="left")
        .with_columns(among.alias("among"))
        .sort(*_CHART, "place", "failed")
        .with_columns((pl.struct(_CHART).rank("dense").cast(pl.Int64) - 1).alias("chart"))
        .sort("chart", "place", "failed", maintain_order=True)
    )


def _followed(charts: pl.DataFrame, chosen: Learning) -> pl.DataFrame:
    """The charts of one target with score, rule, limit and state after each case."""
    designs = {rule: _designed(chosen, is_monitoring=rule == "cusum") for rule in ("lc_cusum", "cusum")}
    barred = {rule: replace(made, limit=None) for rule, made in designs.items()}
    parts = [
        _course(part, designs if has_room else barred, chosen, has_room=bool(has_room))
        for (has_room,), part in charts.group_by("has_room", maintain_order=True)
    ]
    return pl.concat(parts) if parts else _course(charts, designs, chosen, has_room=True)


def _course(charts: pl.DataFrame, designs: dict[str, CusumDesign], chosen: Learning, *, has_room: bool) -> pl.DataFrame:
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
        charts.drop("has_room")
        .with_columns(
            pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("chart").alias("sequence"),
            pl.Series("score", course.score),
            pl.Series("share_signalled", course.share_signalled),
            pl.Series("is_signal", course.is_signal),
            pl.col("failed").cast(pl.Int64).cum_sum().over("chart").alias("failures"),
            pl.col("participant").n_unique().over("chart").cast(pl.Int64).alias("participants"),
            rule=is_keeping.replace_strict({False: "lc_cusum", True: "cusum"}, return_dtype=pl.String),
        )
        .with_columns(pl.col("failures").last().over("chart", "place"))
        .join(_plan(designs, chosen, has_room=has_room), on="rule", how="left", maintain_order="left")
        .with_columns(_state())
    )


@lru_cache(maxsize=256)
def _designed(chosen: Learning, *, is_monitoring: bool) -> CusumDesign:
    return design(
        chosen.p_acceptable, chosen.p_unacceptable, chosen.planned, chosen.false_signal, is_monitoring=is_monitoring
    )


def _plan(designs: dict[str, CusumDesign], chosen: Learning, *, has_room: bool) -> pl.DataFrame:
    """What stands beside every case of a rule."""
    return pl.DataFrame(
        [
            {
                "rule": rule,
                "limit": made.limit,
                "false_signal": made.false_signal,
                "true_signal": made.true_signal,
                "planned": chosen.planned,
                "orders": chosen.orders,
                "note": None if made.limit is not None else _lacking(made) if has_room else _NO_ROOM,
            }
            for rule, made in designs.items()
        ],
        schema_overrides={"limit": pl.Float64, "note": pl.String},
    )


def _lacking(made: CusumDesign) -> str:
    """Why there is no limit, for a reader."""
    if made.true_signal is None or made.false_signal is None:
        return _NOT_DESIGNED
    return (
        f"{made.planned} planned cases give a true signal a chance of {made.true_signal:.0%} at a false one of "
        f"{made.false_signal:.0%}, under the {LEAST_TRUE_SIGNAL:.0%} asked for: no limit is drawn. Plan more cases, or "
        "declare levels further apart."
    )


def _standing(rows: pl.DataFrame) -> pl.DataFrame:
    """Where a learner stands at the end of each period, by both sides: the keys of a learner, place, standing."""
    ends = rows.group_by(*_CHART, "place").agg(
        pl.col("sequence").max().alias("cases"), pl.col("state").sort_by("sequence").last()
    )
    periods = rows.select(*_LEARNER, "place").unique().sort(*_LEARNER, "place")
    for side in _SIDES:
        own = ends.filter(among=side).select(*_LEARNER, "place", pl.col("cases", "state").name.suffix(f"_{side}"))
        periods = periods.join(own, on=[*_LEARNER, "place"], how="left", maintain_order="left")
    latest = pl.col("^(cases|state)_.*$").forward_fill().over(_LEARNER)
    return periods.with_columns(latest).select(*_LEARNER, "place", _both().alias("standing"))


def _both() -> pl.Expr:
    """The standing that cases and states of both sides make together; a side without a case is at its beginning."""
    states = [pl.col(f"state_{side}") for side in _SIDES]
    cases = [pl.col(f"cases_{side}").fill_null(0) for side in _SIDES]
    return (
        pl.when(pl.any_horizontal(state == "followed" for state in states)).then(pl.lit("no_limit"))
        .when(pl.min_horizontal(cases) < LEAST_CASES).then(pl.lit("too_few"))
        .when(pl.all_horizontal(state.is_in(["reached", "keeping"]) for state in states)).then(pl.lit("reached"))
        .when(pl.any_horizontal(state == "left" for state in states)).then(pl.lit("left"))
        .otherwise(pl.lit("not_yet"))
    )  # fmt: skip


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
