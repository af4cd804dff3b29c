"""One maneuver for one condition, overall and by group: counts, corrected tables and completed ones."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

from examtally.analytics.diagnostic_accuracy.clustering import effective_size, linear_variance
from examtally.analytics.diagnostic_accuracy.proportions import wilson
from examtally.analytics.intervals import BoolArray, FloatArray, Interval
from examtally.analytics.verification_bias.aipw import augmented, weighted
from examtally.analytics.verification_bias.corrected import CorrectedCells
from examtally.analytics.verification_bias.counts import CORNERS, KINDS
from examtally.analytics.verification_bias.grouped import Grouped
from examtally.analytics.verification_bias.knees import Fitted
from examtally.analytics.verification_bias.models import shares
from examtally.analytics.verification_bias.terms import categories, clear_findings

WITH, WITHOUT, VERIFIED_NEGATIVE = 20, 20, 10
"""Fewest verified knees with and without the condition, and with a negative finding, for the doubly robust figure."""

_OBSERVED = [
    KINDS.index(kind) for kind in ("positive_present", "positive_absent", "negative_present", "negative_absent")
]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Groups:
    """The groups of one grouping and each exam's place among them, (n,)."""

    group_by: str
    labels: tuple[str, ...]
    code: IntArray

    @classmethod
    def of(cls, frame: pl.DataFrame, names: Iterable[str]) -> list[Groups]:
        """Everybody, then the groupings named, which are Enum columns of `frame`."""
        everybody = cls("overall", ("all",), np.zeros(frame.height, np.int64))
        return [everybody, *(cls._parted(frame[name]) for name in names)]

    @classmethod
    def _parted(cls, values: pl.Series) -> Groups:
        return cls(values.name, categories(values), values.to_physical().to_numpy().astype(np.int64))


class Pair:
    """The interpretable findings of one maneuver among the knees of a condition."""

    def __init__(self, frame: pl.DataFrame, maneuver: str, verified: BoolArray, present: BoolArray) -> None:
        """`frame`, `verified` and `present` are those of all knees of the condition."""
        self.maneuver = maneuver
        self.taken, positive = clear_findings(frame[f"result_{maneuver}"])
        self.positive = positive[self.taken]
        self.verified, self.present = verified[self.taken], present[self.taken]
        self.overall = Grouped.of(frame["participant"].to_numpy()[self.taken])

    @cached_property
    def kind(self) -> IntArray:
        """Place of each knee in KINDS."""
        state = np.where(self.verified, np.where(self.present, 0, 1), 2)
        return np.asarray(np.where(self.positive, 0, 3) + state)

    def grouped(self, groups: Groups) -> Grouped:
        """The findings parted into groups."""
        return self.overall.by(groups.code[self.taken], len(groups.labels))

    def begg_greenes(self, grouped: Grouped) -> CorrectedCells:
        """Tables corrected within each group by the finding alone; knees independent where nobody has several.

        Source: Begg CB, Greenes RA. Biometrics 1983;39:207–215, eq. 3–4.
        """
        pattern = grouped.code * 2 + self.positive
        rows = augmented(self.positive, self.present, self.verified, *shares(pattern, self.verified, self.present))
        clusters = np.where(grouped.is_repeated, grouped.clusters(), np.inf)
        return CorrectedCells(grouped.sums(rows), grouped.products(rows), clusters)

    def doubly_robust(self, fitted: Fitted) -> FloatArray:
        """Contribution of each finding by the doubly robust estimator."""
        models = fitted.models
        return augmented(
            self.positive, self.present, self.verified, models.chance[self.taken], models.expected[self.taken]
        )

    def weighted(self, fitted: Fitted) -> FloatArray:
        """Contribution of each finding by inverse-probability weights."""
        return weighted(self.positive, self.present, self.verified, fitted.models.chance[self.taken])

    def completed(self, drawn: BoolArray) -> CorrectedCells:
        """One table a completed data set; `drawn` is (imputations, knees of the condition)."""
        clusters = self.overall.clusters()[0]
        cells, products = [], []
        for present in drawn[:, self.taken]:
            kind = np.where(self.positive, 0, 2) + ~present
            cells.append(self.overall.counts(kind, 4)[0])
            products.append(self.overall.count_products(kind, 4)[0])
        return CorrectedCells(np.array(cells), np.array(products), np.full(len(cells), clusters))


@dataclass(frozen=True)
class Counted:
    """Counts of the six kinds of knee, (groups, 6), their products over participants, and participants by set held."""

    counts: FloatArray
    products: FloatArray
    held: FloatArray

    @classmethod
    def of(cls, pair: Pair, grouped: Grouped) -> Counted:
        """Count the findings of a pair in groups."""
        kinds = len(KINDS)
        return cls(
            grouped.counts(pair.kind, kinds), grouped.count_products(pair.kind, kinds), grouped.held(pair.kind, kinds)
        )

    @classmethod
    def together(cls, parts: Iterable[Counted]) -> Counted:
        """The groups of several groupings, one after the other."""
        every = list(parts)
        return cls(*(np.concatenate([getattr(part, f.name) for part in every]) for f in fields(cls)))

    def some(self, chosen: BoolArray) -> Counted:
        """The chosen groups, (groups,)."""
        return Counted(self.counts[chosen], self.products[chosen], self.held[chosen])

    @property
    def observed(self) -> FloatArray:
        """Verified knees in tp, fp, fn, tn, (groups, 4)."""
        return self.counts[:, _OBSERVED]

    @property
    def is_enough(self) -> BoolArray:
        """Groups with verified knees enough for the doubly robust estimator, (groups,)."""
        tp, fp, fn, tn = self.observed.T
        return np.asarray((tp + fn >= WITH) & (fp + tn >= WITHOUT) & (fn + tn >= VERIFIED_NEGATIVE))

    def share(self, events: tuple[int, ...], others: tuple[int, ...], level: float) -> tuple[FloatArray, Interval]:
        """Share of some kinds among them and others, and its Wilson limits on the effective number of knees."""
        x = self.counts[:, events].sum(axis=1)
        n = x + self.counts[:, others].sum(axis=1)
        inside, counted = np.zeros(len(KINDS)), np.zeros(len(KINDS))
        inside[list(events + others)], counted[list(events)] = 1.0, 1.0
        with np.errstate(divide="ignore", invalid="ignore"):
            share = x / n
            weights = (counted[None, :] - share[:, None] * inside[None, :]) / n[:, None]
        is_repeated = np.einsum("i,rij,j->r", inside, self.products, inside) > n
        sets = np.arange(self.held.shape[1]) & sum(1 << kind for kind in events + others)
        clusters = self.held[:, sets > 0].sum(axis=1)
        size = effective_size(x, n, linear_variance(weights, self.products, clusters), clusters, level)
        effective = np.where(is_repeated, size.n, n)
        return share, wilson(share * effective, effective, level)

    def bounds(self, measure: str, level: float) -> tuple[Interval, Interval]:
        """Bounds of a measure whatever decided who was verified, and the interval for the region between them.

        Each end of the region is missed with probability (1 − level)/2 at most.

        Source: Kosinski AS, Barnhart HX. Stat Med 2003;22:2711–2721; Imbens GW, Manski CF. Econometrica
        2004;72:1845–1857, section 2.
        """
        lower, below = self.share(*CORNERS[measure, "lower"], level)
        upper, above = self.share(*CORNERS[measure, "upper"], level)
        return Interval(lower, upper), Interval(below.low, above.high)
