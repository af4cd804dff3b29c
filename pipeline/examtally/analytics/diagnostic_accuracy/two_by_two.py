"""The 2x2 tables of all rows at once, with the sums over participants and examiners their variances come from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_accuracy.clustering import (
    CELLS,
    PRODUCTS,
    effective_size,
    is_repeated,
    linear_variance,
    margin,
    product_matrix,
    ratio_weights,
    two_way_variance,
)
from examtally.analytics.intervals import BoolArray, FloatArray, normal_quantile, t_quantile

DENOMINATORS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "all": CELLS,
        "present": ("tp", "fn"),
        "absent": ("fp", "tn"),
        "positive": ("tp", "fp"),
        "negative": ("fn", "tn"),
    }
)
KEY = ("condition", "maneuver", "group_by", "group")


@dataclass(frozen=True)
class Clusters:
    """One way of clustering: products summed over clusters, (rows, 4, 4), and clusters behind each denominator."""

    products: FloatArray
    count: Mapping[str, FloatArray]


@dataclass(frozen=True)
class Effective:
    """A proportion's design effect and effective size, and the rows in which anyone contributes several knees."""

    deff: FloatArray
    n: FloatArray
    is_clustered: BoolArray


@dataclass(frozen=True)
class TwoByTwo:
    """Tables as (rows, 4) cells in the order tp, fp, fn, tn, clustered by participant and, for roles, by examiner.

    Where the examiners are NaN (every row but those by role) or fewer than two, participants alone are the clusters.
    """

    cells: FloatArray
    participant: Clusters
    examiner: Clusters
    both: FloatArray

    @classmethod
    def of(cls, tallies: pl.DataFrame, role_clusters: pl.DataFrame | None = None) -> TwoByTwo:
        """Read the tables from `tallies`; `role_clusters` adds the sums over examiners to the rows by role."""
        rows = tallies.select(*KEY)
        if role_clusters is not None:
            by_role = role_clusters.with_columns(group_by=pl.lit("role"))
            rows = rows.join(by_role, on=KEY, how="left", maintain_order="left")
        return cls(
            cells=tallies.select(CELLS).to_numpy().astype(np.float64),
            participant=Clusters(_products(tallies), _counts(tallies, "participants")),
            examiner=Clusters(_products(rows, "ex_"), _counts(rows, "examiners")),
            both=_products(rows, "px_"),
        )

    def count(self, cells: tuple[str, ...]) -> FloatArray:
        """Knees in the named cells."""
        total: FloatArray = self.cells @ margin(cells)
        return total

    def is_new_examiners(self, denominator: str) -> BoolArray:
        """Rows whose interval reaches examiners like these: two examiners or more behind the denominator."""
        return self.examiner.count[denominator] >= 2

    def is_clustered(self, denominator: str) -> BoolArray:
        """Rows in which a participant, or an examiner where those are clusters too, has several knees in it."""
        inside = DENOMINATORS[denominator]
        by_examiner = self.is_new_examiners(denominator) & is_repeated(self.cells, self.examiner.products, inside)
        return is_repeated(self.cells, self.participant.products, inside) | by_examiner

    def clusters(self, denominator: str) -> FloatArray:
        """Participants behind the denominator; where examiners are clusters too, the fewer of both."""
        participants, examiners = self.participant.count[denominator], self.examiner.count[denominator]
        fewer = np.where(examiners < participants, examiners, participants)
        return np.where(self.is_new_examiners(denominator), fewer, participants)

    def variance(self, weights: FloatArray, denominator: str) -> FloatArray:
        """Linearised variance of the estimate with these influence weights, two-way where examiners are clusters."""
        participants = self.participant.count[denominator]
        one_way = linear_variance(weights, self.participant.products, participants)
        by_examiner = linear_variance(weights, self.examiner.products, self.examiner.count[denominator])
        by_both = linear_variance(weights, self.both, participants)
        two_way = two_way_variance(one_way, by_examiner, by_both)
        return np.where(self.is_new_examiners(denominator), two_way, one_way)

    def quantile(self, denominator: str, level: float) -> FloatArray:
        """Quantile of a log or logit interval: normal, or t on clusters - 1 where examiners are clusters too."""
        new = self.is_new_examiners(denominator) & self.is_clustered(denominator)
        return np.where(new, t_quantile(level, self.clusters(denominator) - 1), normal_quantile(level))

    def effective(self, events: tuple[str, ...], denominator: str, level: float) -> Effective:
        """Effective size of the proportion of `events` among the denominator; n itself where nobody has two knees."""
        inside = DENOMINATORS[denominator]
        n = self.count(inside)
        variance = self.variance(ratio_weights(self.cells, events, inside), denominator)
        size = effective_size(self.count(events), n, variance, self.clusters(denominator), level)
        clustered = self.is_clustered(denominator)
        alone = np.where(n > 0, 1.0, np.nan)
        return Effective(np.where(clustered, size.deff, alone), np.where(clustered, size.n, n), clustered)

    def effective_cells(self, level: float) -> FloatArray:
        """The table shrunk to the effective sizes of sensitivity and specificity, (rows, 4)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            present = self.effective(("tp",), "present", level).n / self.count(DENOMINATORS["present"])
            absent = self.effective(("tn",), "absent", level).n / self.count(DENOMINATORS["absent"])
        return self.cells * np.column_stack([present, absent, present, absent])


def _products(frame: pl.DataFrame, prefix: str = "") -> FloatArray:
    """Sums of products from the columns with this prefix; 0 where the frame has none."""
    zero = np.zeros(frame.height)
    columns = {name: frame[prefix + name] if prefix + name in frame.columns else zero for name in PRODUCTS}
    return np.nan_to_num(product_matrix(columns))


def _counts(frame: pl.DataFrame, name: str) -> Mapping[str, FloatArray]:
    """Clusters by denominator, from `name` and `name`_present, …; NaN where the frame has none."""
    columns = {key: name if key == "all" else f"{name}_{key}" for key in DENOMINATORS}
    unknown = np.full(frame.height, np.nan)
    return MappingProxyType(
        {
            key: frame[column].cast(pl.Float64).to_numpy() if column in frame.columns else unknown
            for key, column in columns.items()
        }
    )
