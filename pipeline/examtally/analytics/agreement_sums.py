"""What each participant adds to the agreement of a group, and the statistics that follow from the totals.

Every statistic depends on sums over participants only, so leaving a participant out is a subtraction.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from examtally.analytics.intervals import FloatArray
from examtally.analytics.two_raters import beyond_chance, binary_statistics

CALL_STATISTICS = (
    "observed_agreement",
    "positive_agreement",
    "negative_agreement",
    "cohen_kappa",
    "pabak",
    "gwet_ac1",
    "prevalence_index",
    "bias_index",
    "fleiss_kappa",
    "krippendorff_alpha",
)
GRADE_STATISTICS = ("weighted_kappa",)
_CALLS = ("both", "only_a", "only_b", "neither")
_UNITS = ("units", "agreeing", "positive", "ratings", "apart")


def call_sums(pairs: pl.DataFrame, keys: Sequence[str]) -> pl.DataFrame:
    """Sums of the calls of each participant by `keys`: the 2×2 cells of the pairs, and the ratings of the units.

    A unit's ratings are the distinct exams in its pairs. `agreeing` is the share of its pairs of ratings that agree,
    `apart` its coincidences of unlike calls as `krippendorff_alpha` counts them.
    """
    by = [*keys, "participant"]
    a, b = pl.col("a") == 1, pl.col("b") == 1
    cells = pairs.group_by(by).agg(
        (a & b).sum().alias("both"), (a & ~b).sum().alias("only_a"), (~a & b).sum().alias("only_b"),
        (~a & ~b).sum().alias("neither"),
    )  # fmt: skip
    ratings = pl.concat(
        [
            pairs.select(*by, "unit", pl.col(f"exam_{rater}").alias("exam"), pl.col(rater).alias("call"))
            for rater in "ab"
        ]
    ).unique([*by, "unit", "exam"])
    n, positive = pl.col("n").cast(pl.Float64), pl.col("positive").cast(pl.Float64)
    unlike = positive * (n - positive)
    units = ratings.group_by([*by, "unit"]).agg(pl.len().alias("n"), pl.col("call").sum().alias("positive"))
    sums = (
        units.sort([*by, "unit"])
        .group_by(by, maintain_order=True)
        .agg(
            pl.len().alias("units"),
            (1 - 2 * unlike / (n * (n - 1))).sum().alias("agreeing"),
            pl.col("positive").sum(),
            pl.col("n").sum().alias("ratings"),
            (2 * unlike / (n - 1)).sum().alias("apart"),
        )
    )
    return sums.join(cells, on=by).sort(by).select(*by, pl.col(*_CALLS, *_UNITS).cast(pl.Float64))


def call_statistics(sums: FloatArray) -> FloatArray:
    """Statistics in the order of `CALL_STATISTICS` from totals (…, 9) in the order of `call_sums`; NaN if undefined.

    Fleiss' kappa takes units with any number of ratings; alpha is that of two categories (see `fleiss_kappa`,
    `krippendorff_alpha`).
    """
    values = binary_statistics(sums[..., :4])
    units, agreeing, positive, ratings, apart = np.moveaxis(sums[..., 4:], -1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = positive / ratings
        values["fleiss_kappa"] = beyond_chance(agreeing / units, share**2 + (1 - share) ** 2)
        expected = 2 * positive * (ratings - positive) / (ratings - 1)
        values["krippendorff_alpha"] = np.where(expected > 0, 1 - apart / np.where(expected > 0, expected, 1), np.nan)
    return np.stack([values[name] for name in CALL_STATISTICS], axis=-1)


def grade_sums(pairs: pl.DataFrame, keys: Sequence[str], grades: int) -> pl.DataFrame:
    """Sums of the grades of each participant by `keys`, of pairs with both grades: both margins, then the distance.

    Grades run from 0 to `grades` − 1.
    """
    by = [*keys, "participant"]
    margins = [
        (pl.col(f"grade_{rater}") == grade).sum().alias(f"{rater}_{grade}") for rater in "ab" for grade in range(grades)
    ]
    distance = (pl.col("grade_a").cast(pl.Int64) - pl.col("grade_b").cast(pl.Int64)).abs().sum().alias("distance")
    both = pairs.drop_nulls(["grade_a", "grade_b"])
    return both.group_by(by).agg(*margins, distance).sort(by).with_columns(pl.exclude(by).cast(pl.Float64))


def grade_statistics(sums: FloatArray) -> FloatArray:
    """Cohen's kappa with linear weights, shape (…, 1), from totals in the order of `grade_sums`; NaN if undefined."""
    grades = (sums.shape[-1] - 1) // 2
    place = np.arange(grades)
    distance = np.abs(place[:, None] - place[None, :]).astype(np.float64)
    first, second = sums[..., :grades], sums[..., grades:-1]
    n = first.sum(axis=-1)
    expected = ((first @ distance) * second).sum(axis=-1)
    usable = expected > 0
    kappa = np.where(usable, 1 - n * sums[..., -1] / np.where(usable, expected, 1.0), np.nan)
    return np.asarray(kappa[..., None])
