"""Cluster sums by role, over examiners and over participant x examiner: for figures about examiners like these."""

from __future__ import annotations

import polars as pl

from examtally.cohort.cells import TWO_BY_TWO
from examtally.cohort.tallies import MARGINS, PRODUCTS


def role_clusters(tallies: pl.DataFrame) -> pl.DataFrame:
    """Sum tallies by role and examiner (groups `role/examiner`, the episode's first exam) to one row a role.

    Columns: condition, maneuver, group (the role), the 2x2 table; `examiners` with a verified finding,
    `examiners_present`, `_absent`, `_positive`, `_negative` with one in that margin; `ex_tp_tp` … `ex_tn_tn`, sums over
    examiners of products of their cells; `px_tp_tp` … `px_tn_tn`, the same over participant x examiner. An examiner
    who worked in two roles counts in each. Rows keep the order of the tallies; roles without a verified finding are
    left out.
    """
    margins = {"examiners": tuple(TWO_BY_TWO)} | {
        name.replace("participants", "examiners"): cells for name, cells in MARGINS.items()
    }
    return (
        tallies.filter(pl.col("verified") > 0)
        .with_columns(pl.col("group").str.extract("^([^/]*)/"))
        .group_by("condition", "maneuver", "group", maintain_order=True)
        .agg(
            *(pl.col(cell).sum() for cell in TWO_BY_TWO),
            *((pl.sum_horizontal(cells) > 0).sum().cast(pl.Int64).alias(name) for name, cells in margins.items()),
            *((pl.col(a) * pl.col(b)).sum().alias(f"ex_{a}_{b}") for a, b in PRODUCTS),
            *(pl.col(f"{a}_{b}").sum().alias(f"px_{a}_{b}") for a, b in PRODUCTS),
        )
    )
