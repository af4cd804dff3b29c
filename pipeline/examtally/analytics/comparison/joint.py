"""Counts of verified knees by what two maneuvers found in them, or one maneuver in two groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.comparison.stacked import Estimates, Stacked
from examtally.analytics.diagnostic_accuracy.clustering import effective_size, margin
from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.grouped import Grouped, IntArray

KINDS = 8
_SETS = np.arange(2**KINDS)
_CELLS = 4


def _paired_margins() -> FloatArray:
    """What a knee of each kind (with, then without the condition; both positive, a, b, neither) adds to both tables."""
    margins = np.zeros((KINDS, KINDS))
    for kind in range(KINDS):
        is_absent, negative_a, negative_b = kind // 4, kind // 2 % 2, kind % 2
        margins[kind, 2 * negative_a + is_absent] = 1
        margins[kind, _CELLS + 2 * negative_b + is_absent] = 1
    return margins


PAIRED, UNPAIRED = _paired_margins(), np.eye(KINDS)


def paired_kind(positive_a: BoolArray, positive_b: BoolArray, present: BoolArray) -> IntArray:
    """Kind of each knee examined by both maneuvers."""
    return np.asarray(4 * ~present + 2 * ~positive_a + ~positive_b).astype(np.int64)


def group_kind(positive: BoolArray, present: BoolArray, second: BoolArray) -> IntArray:
    """Kind of each knee of two groups: tp, fp, fn, tn of the first, then of the `second`."""
    return np.asarray(4 * second + 2 * ~positive + ~present).astype(np.int64)


@dataclass(frozen=True)
class Joint:
    """Counts of each kind, (rows, 8), their products over participants, and participants by the set of kinds they hold.

    `margins` (8 kinds, 8 cells) says what a knee of a kind adds to the two tables; `grouped` and `kind` are the knees.
    """

    counts: FloatArray
    products: FloatArray
    held: FloatArray
    margins: FloatArray
    grouped: Grouped
    kind: IntArray

    @classmethod
    def of(cls, grouped: Grouped, kind: IntArray, margins: FloatArray) -> Joint:
        """Count the knees of each group."""
        return cls(
            grouped.counts(kind, KINDS),
            grouped.count_products(kind, KINDS),
            grouped.held(kind, KINDS),
            margins,
            grouped,
            kind,
        )

    @classmethod
    def joined(cls, several: Sequence[Joint]) -> Joint:
        """The groups of several, at least one, one after the other; their margins are the same."""
        return cls(
            np.concatenate([one.counts for one in several]),
            np.concatenate([one.products for one in several]),
            np.concatenate([one.held for one in several]),
            several[0].margins,
            Grouped.joined([one.grouped for one in several]),
            np.concatenate([one.kind for one in several]),
        )

    @property
    def stacked(self) -> Stacked:
        """Both 2x2 tables."""
        return Stacked(self.counts @ self.margins, self.margins.T @ self.products @ self.margins)

    def kinds_in(self, denominator: str, side: int | None = None) -> BoolArray:
        """Kinds that stand in the denominator of a (side 0), of b (1), or of either."""
        inside = margin(DENOMINATORS[denominator])
        first, second = self.margins[:, :_CELLS] @ inside > 0, self.margins[:, _CELLS:] @ inside > 0
        return np.asarray(first | second if side is None else (first, second)[side])

    def knees(self, kinds: BoolArray) -> FloatArray:
        """Knees of these kinds."""
        return np.asarray(self.counts @ kinds)

    def participants(self, kinds: BoolArray) -> FloatArray:
        """Participants with a knee of one of these kinds."""
        wanted = int((1 << np.flatnonzero(kinds)).sum())
        return np.asarray(self.held @ ((_SETS & wanted) > 0))

    def is_repeated(self, kinds: BoolArray) -> BoolArray:
        """Rows in which a participant has several knees of these kinds."""
        square = np.einsum("i,rij,j->r", kinds.astype(float), self.products, kinds.astype(float))
        return np.asarray(square > self.knees(kinds))

    def clusters(self, kinds: BoolArray) -> FloatArray:
        """Participants behind these kinds where any has several such knees, else infinite: knees are independent."""
        return np.where(self.is_repeated(kinds), self.participants(kinds), np.inf)

    def effective(self, measure: str, side: int, found: Estimates, level: float) -> FloatArray:
        """Effective number of knees behind the proportion of a (0) or b (1); the knees themselves where independent."""
        kinds = self.kinds_in(PROPORTIONS[measure][1], side)
        n, estimate = self.knees(kinds), (found.a, found.b)[side]
        variance = (found.variance_a, found.variance_b)[side]
        events = np.clip(np.nan_to_num(estimate * n), 0, n)
        events = np.where(np.isclose(events, np.round(events)), np.round(events), events)
        size = effective_size(events, n, variance, self.participants(kinds), level)
        return np.where(self.is_repeated(kinds), size.n, np.where(n > 0, n, np.nan))


def participant_sums(grouped: Grouped, values: npt.ArrayLike, row: int, taken: BoolArray) -> FloatArray:
    """Sum of `values` (n,) over each participant's knees of one row among those `taken`."""
    chosen = taken & (grouped.code == row)
    _, person = np.unique(grouped.cluster[chosen], return_inverse=True)
    total = np.bincount(person, weights=np.asarray(values, dtype=np.float64)[chosen], minlength=1)
    return total.astype(np.float64)
