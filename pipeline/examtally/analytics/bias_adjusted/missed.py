"""Injuries called unlikely: how many were truly there, false readings taken off, and among knees nobody imaged."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.model import BiasModels

_SCHEMA = {"period": pl.String, "false": pl.Float64, "among_all": pl.Float64}


def expected_missed(
    stated: pl.DataFrame, models: BiasModels, conditions: Iterable[str], unlikely: float
) -> pl.DataFrame:
    """Return period, false, among_all: what the models say of knees called unlikely after the exam.

    `stated` holds row (of the records), condition, forecast and probability. Of index exams and of `conditions` that
    have a model, summed: `false` is how many of the readings that say present are expected to be wrong, the sum of
    1 - q, and `among_all` how many of all knees called unlikely, read or not, are expected to have
    the condition, the sum of q; q is the chance of the condition given everything known of the knee.
    """
    said = stated.filter(pl.col("probability") < unlikely, forecast="examiner_after_exam")
    parts = [pl.DataFrame(schema=_SCHEMA)]
    for code in conditions:
        if code not in models.fitted:
            continue
        knees, chance = models.fitted[code].knees, models.fitted[code].draws.chance
        inside = np.isin(knees.rows, said.filter(condition=code)["row"].to_numpy())
        is_read = (knees.frame[f"status_{code}"] == "present").to_numpy()
        parts.append(
            pl.DataFrame(
                {
                    "period": knees.frame["period"].cast(pl.String),
                    "false": np.where(is_read, 1 - chance, 0.0),
                    "among_all": chance,
                }
            ).filter(pl.Series(inside))
        )
    # in the order of the knees: a sum of fractions in any other order differs in its last digit
    return pl.concat(parts).group_by("period", maintain_order=True).sum().sort("period")


def with_expected(rows: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Return `indicators` with `expected` and `expected_all` of missed injuries, for everybody, in mature periods."""
    is_meant = (pl.col("indicator") == "missed_injuries") & (pl.col("group_by") == "overall") & pl.col("mature")
    joined = rows.join(found, on="period", how="left", maintain_order="left")
    return joined.with_columns(
        expected=pl.when(is_meant).then(pl.col("numerator") - pl.col("false").fill_null(0.0)),
        expected_all=pl.when(is_meant).then(pl.col("among_all").fill_null(0.0)),
    ).drop("false", "among_all")
