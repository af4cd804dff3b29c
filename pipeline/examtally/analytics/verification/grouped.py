"""Sums of knees' contributions by group, and their products summed over participants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import BoolArray, FloatArray

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Grouped:
    """Rows parted into groups 0 … size-1, some participants with several rows.

    `first` and `second` are the places of every pair of rows of one participant within one group.
    """

    code: IntArray
    size: int
    cluster: IntArray
    first: IntArray
    second: IntArray

    @classmethod
    def of(cls, cluster: npt.ArrayLike, code: npt.ArrayLike | None = None, size: int = 1) -> Grouped:
        """Group rows by `code` (n,), whole numbers below `size`; one group where it is None. `cluster` is (n,)."""
        person = np.unique(np.asarray(cluster), return_inverse=True)[1].astype(np.int64)
        group = np.zeros(person.size, np.int64) if code is None else np.asarray(code).astype(np.int64)
        first, second = _pairs(person)
        same = group[first] == group[second]
        return cls(group, size, person, first[same], second[same])

    def regrouped(self, code: npt.ArrayLike, size: int) -> Grouped:
        """The same rows in finer groups; only from one group of everything."""
        group = np.asarray(code).astype(np.int64)
        same = group[self.first] == group[self.second]
        return Grouped(group, size, self.cluster, self.first[same], self.second[same])

    def sums(self, values: FloatArray) -> FloatArray:
        """Sum of `values`, (n, k), in every group: (size, k)."""
        columns = [np.bincount(self.code, values[:, j], self.size) for j in range(values.shape[1])]
        return np.stack(columns, axis=1) if columns else np.zeros((self.size, 0))

    def products(self, values: FloatArray) -> FloatArray:
        """Sum over participants of the products of their sums of `values`, (n, k): (size, k, k) symmetric."""
        k = values.shape[1]
        matrix = np.empty((self.size, k, k))
        pair_code = self.code[self.first]
        one, two = values[self.first], values[self.second]
        for i in range(k):
            for j in range(i, k):
                alone = np.bincount(self.code, values[:, i] * values[:, j], self.size)
                crossed = np.bincount(pair_code, one[:, i] * two[:, j] + one[:, j] * two[:, i], self.size)
                matrix[:, i, j] = matrix[:, j, i] = alone + crossed
        return matrix

    def clusters(self, inside: BoolArray | None = None) -> FloatArray:
        """Participants with a row in every group, only rows `inside` (n,) where given: (size,)."""
        taken = np.ones(self.code.size, bool) if inside is None else inside
        key = np.unique(self.cluster[taken] * self.size + self.code[taken])
        return np.bincount(key % self.size, minlength=self.size).astype(np.float64)

    @property
    def is_repeated(self) -> BoolArray:
        """Groups in which a participant has several rows, (size,)."""
        return np.bincount(self.code[self.first], minlength=self.size) > 0


def _pairs(person: IntArray) -> tuple[IntArray, IntArray]:
    """Places of all pairs of rows of one person."""
    order = np.argsort(person, kind="stable")
    ordered = person[order]
    first, second = [], []
    for gap in range(1, int(np.bincount(person).max(initial=1))):
        same = np.nonzero(ordered[gap:] == ordered[:-gap])[0]
        first.append(order[same])
        second.append(order[same + gap])
    nothing = np.zeros(0, np.int64)
    return np.concatenate([nothing, *first]), np.concatenate([nothing, *second])
