"""An agreement day: from its readings to the tables of agreement, measures and steps.

`readings` has the columns of `schemas/agreement/readings.yaml`, one row for each examiner, participant, side and
maneuver. What is equivocal, not done or blank is left out of what needs it, never taken as negative.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Any

import numpy as np
import polars as pl
from statsmodels.stats.contingency_tables import cochrans_q

from examtally.analytics.agreement.measured import FORMS, Limited, intraclass, limits_of_agreement, reproducibility
from examtally.analytics.agreement.tables import agreement_table
from examtally.analytics.intervals import FloatArray
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

_SUBJECT = ["participant_id", "side"]
STEPS = ("flexion_deg", "end_point", "sign", "grade")
"""Recorded steps of a maneuver in which two examiners may differ."""
_ANGLE = 10  # degrees apart that count as different
_FEWEST_PAIRS = 10
_LEAST_SHARE = 0.2
_ALPHA = 0.05
_COUNTS = ("differing_disagreed", "disagreed", "differing_agreed", "agreed")


def day_agreement(readings: pl.DataFrame, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """The public table `agreement` of the maneuvers of the day: of all examiners, and of each with the others."""
    pairs = _pairs(readings)
    both = [
        pairs.with_columns(pl.lit("overall").alias("group_by"), pl.lit("all").alias("group")),
        *(
            pairs.with_columns(pl.lit("examiner").alias("group_by"), pl.col(f"examiner_id_{side}").alias("group"))
            for side in "ab"
        ),
    ]
    made = agreement_table(pl.concat(both), contract, protocol)
    return made.filter(pl.col("maneuver").is_in(readings["maneuver"].unique().to_list()))


def day_measures(readings: pl.DataFrame, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """The public table `measure_agreement`: a maneuver that at least two examiners measured in two subjects or more.

    Intraclass correlations use the subjects whom every examiner measured; limits of agreement those whom both did.
    """
    rows = [
        row | {"maneuver": maneuver, "unit": contract.catalogue.maneuvers[maneuver].unit or ""}
        for (maneuver,), part in readings.drop_nulls("measure").group_by("maneuver", maintain_order=True)
        for row in _measured(part, protocol.intervals.level)
    ]
    names = ("maneuver", "unit", "group_by", "group", "statistic", "estimate", "ci_low", "ci_high")
    kinds = dict.fromkeys(names[:5], pl.String) | dict.fromkeys(names[5:], pl.Float64)
    schema = kinds | {"subjects": pl.Int64, "examiners": pl.Int64, "status": pl.String}
    return pl.DataFrame([row | {"status": protocol.analysis_status} for row in rows], schema=schema).with_columns(
        pl.col("estimate", "ci_low", "ci_high").fill_nan(None)
    )


def day_steps(readings: pl.DataFrame, protocol: Protocol) -> pl.DataFrame:
    """The public table `agreement_steps`, with one step chosen for each maneuver in which a pair disagrees.

    - The threshold, where the examiners' shares of positives differ by Cochran's Q (P < 0.05).
    - Else the recorded step whose share of differing pairs is most, and 20 points or more, higher among pairs that
      disagree than among pairs that agree; at least ten pairs of either kind.
    - Else the technique as a whole.
    """
    pairs = _pairs(readings)
    rows: list[dict[str, Any]] = []
    for maneuver in readings["maneuver"].unique().sort().to_list():
        own = pairs.filter(maneuver=maneuver)
        found = [_differing(own, step) for step in STEPS]
        p_value = _threshold(readings.filter(maneuver=maneuver))
        whole = _counts(own, pl.repeat(False, own.height, dtype=pl.Boolean, eager=True))
        rows += [
            {"maneuver": maneuver, **row, "chosen": False}
            for row in ({"step": "threshold", **whole, "p_value": p_value}, *found, {"step": "technique", **whole})
        ]
        chosen = _chosen(rows[-len(STEPS) - 2 :])
        if chosen is not None:
            chosen["chosen"] = True
    kinds = {"maneuver": pl.String, "step": pl.String, **dict.fromkeys(_COUNTS, pl.Int64)}
    return pl.DataFrame(rows, schema=kinds | {"p_value": pl.Float64, "chosen": pl.Boolean}).with_columns(
        pl.lit(protocol.analysis_status).alias("status")
    )


def _pairs(readings: pl.DataFrame) -> pl.DataFrame:
    """Pairs of readings of one subject and maneuver that both say positive or negative."""
    use = readings.filter(pl.col("result").is_in(["positive", "negative"])).with_columns(
        pl.col("participant_id").rank("dense").cast(pl.Int64).alias("participant"),
        pl.struct(_SUBJECT).rank("dense").cast(pl.Int64).alias("unit"),
        pl.struct("examiner_id", *_SUBJECT).rank("dense").cast(pl.Int64).alias("exam"),
        (pl.col("result") == "positive").cast(pl.Int64).alias("call"),
    )
    keys = ["maneuver", "participant", "unit"]
    own = ["examiner_id", "exam", "call", *STEPS]
    sides = [use.select(*keys, *(pl.col(name).alias(f"{name}_{side}") for name in own)) for side in "ab"]
    pairs = sides[0].join(sides[1], on=keys).filter(pl.col("examiner_id_a") < pl.col("examiner_id_b"))
    return pairs.rename({"call_a": "a", "call_b": "b"}).sort(*keys, "exam_a", "exam_b")


def _measured(part: pl.DataFrame, level: float) -> Iterator[dict[str, Any]]:
    wide = part.pivot("examiner_id", index=_SUBJECT, values="measure").sort(_SUBJECT)
    examiners = sorted(name for name in wide.columns if name not in _SUBJECT)
    table = _complete(wide, examiners)
    if len(examiners) > 1 and len(table) > 1:
        figures = intraclass(table, level) | {"reproducibility": Limited(reproducibility(table), np.nan, np.nan)}
        for statistic in (*FORMS, "reproducibility"):
            yield _row("overall", "all", statistic, figures[statistic], len(table), len(examiners))
    for first, second in combinations(examiners, 2):
        both = _complete(wide, [first, second])
        if len(both):
            group = f"{first}+{second}"
            for statistic, figure in limits_of_agreement(both[:, 0] - both[:, 1], level).items():
                yield _row("examiner_pair", group, statistic, figure, len(both), 2)


def _complete(wide: pl.DataFrame, examiners: list[str]) -> FloatArray:
    return np.asarray(wide.select(examiners).drop_nulls().to_numpy(), dtype=np.float64)


def _row(group_by: str, group: str, statistic: str, figure: Limited, subjects: int, examiners: int) -> dict[str, Any]:
    named = {"group_by": group_by, "group": group, "statistic": statistic, "subjects": subjects, "examiners": examiners}
    return named | {"estimate": figure.estimate, "ci_low": figure.low, "ci_high": figure.high}


def _differing(pairs: pl.DataFrame, step: str) -> dict[str, Any]:
    recorded = pairs.drop_nulls([f"{step}_a", f"{step}_b"])
    first, second = recorded[f"{step}_a"], recorded[f"{step}_b"]
    differ = (first - second).abs() >= _ANGLE if step == "flexion_deg" else first != second
    return {"step": step, **_counts(recorded, differ), "p_value": None}


def _counts(pairs: pl.DataFrame, differ: pl.Series) -> dict[str, int]:
    agree = pairs["a"] == pairs["b"]
    values = ((differ & ~agree).sum(), (~agree).sum(), (differ & agree).sum(), agree.sum())
    return {name: int(value) for name, value in zip(_COUNTS, values, strict=True)}


def _threshold(readings: pl.DataFrame) -> float | None:
    """P of Cochran's Q over subjects whom every examiner called; None where nobody's call differs in any of them."""
    called = readings.filter(pl.col("result").is_in(["positive", "negative"])).with_columns(
        (pl.col("result") == "positive").cast(pl.Float64).alias("call")
    )
    wide = called.pivot("examiner_id", index=_SUBJECT, values="call")
    examiners = sorted(name for name in wide.columns if name not in _SUBJECT)
    table = _complete(wide, examiners) if len(examiners) > 1 else np.zeros((0, 0))
    if not len(table) or (table == table[:, :1]).all():
        return None
    return float(cochrans_q(table).pvalue)


def _chosen(rows: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The step to standardize first; None where nobody disagrees."""
    threshold, *steps, technique = rows
    if not threshold["disagreed"]:
        return None
    if threshold["p_value"] is not None and threshold["p_value"] < _ALPHA:
        return threshold
    gaps = [(_gap(row), row) for row in steps]
    best, row = max(gaps, key=lambda pair: pair[0])
    return row if best >= _LEAST_SHARE else technique


def _gap(row: dict[str, Any]) -> float:
    if min(row["disagreed"], row["agreed"]) < _FEWEST_PAIRS:
        return -1.0
    return float(row["differing_disagreed"] / row["disagreed"] - row["differing_agreed"] / row["agreed"])
