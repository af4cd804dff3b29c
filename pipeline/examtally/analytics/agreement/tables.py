"""Agreement of two or more examiners on the same knee: from the frame of pairs to the public table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import polars as pl
import polars.selectors as cs

from examtally.analytics.agreement.jackknife import Jackknife, clustered_jackknife, totals
from examtally.analytics.agreement.statistics import (
    CALL_STATISTICS,
    GRADE_STATISTICS,
    call_limits,
    call_statistics,
    call_sums,
    fisher_limits,
    grade_statistics,
    grade_sums,
)
from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.intervals import FloatArray, Interval
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

KEYS = ("maneuver", "group_by", "group")
_ROW = (
    *("statistic", "estimate", "ci_low", "ci_high", "pairs", "participants", "pairs_unknown"),
    *("status", "flag", "note"),
)

_NO_PAIR = "No «noun» was examined by two people in this way."
_NO_GRADES = "No «noun» was graded by two people in this way."
_ONE_CALL = "Only one result was ever recorded: agreement beyond chance cannot be estimated."
_UNDEFINED = {
    "positive_agreement": "Nobody found any of these «nouns» positive.",
    "negative_agreement": "Nobody found any of these «nouns» negative.",
    "weighted_kappa": "Only one grade was ever recorded: agreement beyond chance cannot be estimated.",
}
_NO_LIMITS = "Limits cannot be given: the pairs are too few, or all agree."


def agreement_table(pairs: pl.DataFrame, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """Estimate every agreement statistic for each maneuver and group, with limits that leave out participants in turn.

    `pairs` has a row for each pair of exams of one knee-episode that both have a positive or negative finding:
    - maneuver, group_by, group: a pair stands once in each group it belongs to;
    - participant, unit (the knee-episode), exam_a, exam_b: integer keys. The distinct exams of a unit are the ratings
      of Fleiss' kappa and Krippendorff's alpha, so three examiners of one knee make three pairs and three ratings;
    - a, b: 1 positive, 0 negative; grade_a, grade_b: whole numbers from 0, null where there is none.
    `a` is the learner where learners meet supervisors, else the exam that comes first; only the sign of bias_index
    depends on it, and kappa a little where groups mix examiners. Row order does not matter. Nothing but grades may be
    missing: ValueError for a call that is neither 0 nor 1.
    - unknown (optional): whether it is unrecorded if either examiner knew the other's findings; counted.

    Returns the columns of the public table `agreement`, status included, sorted by maneuver, group and statistic.
    Weighted kappa has linear weights and stands only for maneuvers whose catalogue entry has grades. Maneuvers recorded
    for safety only are left out; every other one has its overall rows even where nobody was examined twice.

    Limits rest on the jackknife that leaves out one participant at a time: see `call_limits` and `fisher_limits`.
    """
    judged = {code: maneuver for code, maneuver in contract.catalogue.maneuvers.items() if maneuver.purpose != "safety"}
    graded = [code for code, maneuver in judged.items() if maneuver.grades]
    most = max((max(judged[code].grades) for code in graded), default=0)
    if not all(pairs.select(pl.col("a", "b").is_in([0, 1]).fill_null(value=False).all()).row(0)):
        raise ValueError("a and b must be 0 or 1, without missing values")
    use = pairs.filter(pl.col("maneuver").is_in(list(judged)))
    groups = use.select(KEYS).unique().sort(KEYS).with_row_index("code")
    use = use.join(groups, on=KEYS)
    level = protocol.intervals.level
    grades = grade_sums(use.filter(pl.col("maneuver").is_in(graded)), most + 1)
    parts = [
        _estimate(groups, call_sums(use), CALL_STATISTICS, call_statistics, 4, partial(call_limits, level=level)),
        _estimate(
            groups, grades, GRADE_STATISTICS, grade_statistics, most + 1, lambda made, *_: fisher_limits(made, level)
        ),
    ]
    expected = _expected(use, list(judged), graded)
    table = (
        expected.join(pl.concat(parts), on=[*KEYS, "statistic"], how="left")
        .join(_unknown(use), on=KEYS, how="left")
        .with_columns(pl.col("pairs", "participants", "pairs_unknown").fill_null(0), cs.float().fill_nan(None))
    )
    order = [*CALL_STATISTICS, *GRADE_STATISTICS]
    return (
        table.with_columns(
            pl.lit(protocol.analysis_status).alias("status"), *_remarks(protocol.display.min_participants)
        )
        .sort(*KEYS, pl.col("statistic").replace_strict(order, range(len(order))))
        .select(*KEYS, *_ROW)
    )


def _expected(pairs: pl.DataFrame, maneuvers: Sequence[str], graded: Sequence[str]) -> pl.DataFrame:
    """Keys of every row of the table: the groups that have pairs, and each maneuver overall."""
    overall = pl.DataFrame({"maneuver": maneuvers}, schema={"maneuver": pl.String}).with_columns(
        pl.lit("overall").alias("group_by"), pl.lit("all").alias("group")
    )
    groups = pl.concat([pairs.select(KEYS), overall]).unique()
    calls = groups.join(pl.DataFrame({"statistic": CALL_STATISTICS}), how="cross")
    grades = groups.filter(pl.col("maneuver").is_in(graded)).join(
        pl.DataFrame({"statistic": GRADE_STATISTICS}), how="cross"
    )
    return pl.concat([calls, grades])


def _unknown(pairs: pl.DataFrame) -> pl.DataFrame:
    """Pairs of each group of which it is unrecorded whether an examiner knew the other's findings."""
    is_unknown = pl.col("unknown") if "unknown" in pairs.columns else pl.lit(value=False)
    return pairs.group_by(KEYS).agg(is_unknown.cast(pl.Int64).sum().alias("pairs_unknown"))


def _estimate(
    groups: pl.DataFrame,
    sums: pl.DataFrame,
    names: Sequence[str],
    statistics: Callable[[FloatArray], FloatArray],
    pairs: int,
    limits: Callable[[Jackknife, FloatArray, IntArray, IntArray], Interval],
) -> pl.DataFrame:
    """Estimate and limits of each statistic in each group, in long form.

    `sums` has a row a participant, by the code of its group; its first `pairs` numbers add up to the pairs of that
    participant. Participants with the same sums are counted together. A group without a row has none.
    """
    alike = pl.exclude("participant")
    sums = sums.group_by(alike).len("times").sort(alike.exclude("times"))
    groups = groups.filter(pl.col("code").is_in(sums["code"].unique().implode()))
    code = np.searchsorted(groups["code"].to_numpy(), sums["code"].to_numpy())
    values = sums.select(pl.exclude("code", "times")).to_numpy().astype(np.float64)
    times = sums["times"].to_numpy().astype(np.int64)
    jackknife = clustered_jackknife(values, times, code, groups.height, statistics)
    ends = limits(jackknife, values, times, code)
    counted = totals(times * values[:, :pairs].sum(axis=1), code, groups.height).astype(np.int64)
    return pl.concat(
        groups.select(
            *KEYS,
            pl.lit(name).alias("statistic"),
            pl.Series("estimate", jackknife.estimate[:, place]),
            pl.Series("ci_low", ends.low[:, place]),
            pl.Series("ci_high", ends.high[:, place]),
            pl.Series("pairs", counted),
            pl.Series("participants", jackknife.clusters),
        )
        for place, name in enumerate(names)
    )


def _remarks(few: int) -> tuple[pl.Expr, pl.Expr]:
    """Flag and note: why there is no estimate, no limit, or that few participants stand behind it."""
    statistic, missing = pl.col("statistic"), pl.col("estimate").is_null()
    why = statistic.replace_strict(_UNDEFINED, default=_ONE_CALL)
    none = pl.when(statistic.is_in(GRADE_STATISTICS)).then(pl.lit(_NO_GRADES)).otherwise(pl.lit(_NO_PAIR))
    flag = pl.when(missing).then(pl.lit("not_estimable")).when(pl.col("participants") < few).then(pl.lit("too_few"))
    note = (
        pl.when(pl.col("pairs") == 0).then(none)
        .when(missing).then(why)
        .when(pl.col("ci_low").is_null()).then(pl.lit(_NO_LIMITS))
    )  # fmt: skip
    return flag.alias("flag"), note.alias("note")
