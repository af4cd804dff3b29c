"""Sums of knees' contributions by group, and their products summed over participants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import BoolArray, FloatArray

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Grouped:
    """Rows parted into groups 0 … size-1, some participants with several rows.

    `first` and `second` are the places of every pair of rows of one participant within one group; `shared` marks the
    rows of participants with several rows.
    """

    code: IntArray
    size: int
    cluster: IntArray
    first: IntArray
    second: IntArray
    shared: BoolArray

    @classmethod
    def of(cls, cluster: npt.ArrayLike) -> Grouped:
        """All rows in one group; `cluster` (n,) names the participant."""
        person = np.unique(np.asarray(cluster), return_inverse=True)[1].astype(np.int64)
        first, second = _pairs(person)
        shared = np.bincount(person, minlength=1)[person] > 1
        return cls(np.zeros(person.size, np.int64), 1, person, first, second, shared)

    def by(self, code: npt.ArrayLike, size: int) -> Grouped:
        """Part all rows by `code` (n,), whole numbers below `size`; only from one group of everything."""
        group = np.asarray(code).astype(np.int64)
        same = group[self.first] == group[self.second]
        return Grouped(group, size, self.cluster, self.first[same], self.second[same], self.shared)

    @classmethod
    def joined(cls, several: Sequence[Grouped]) -> Grouped:
        """The groups of several, one after the other; a participant of one is nobody in another."""
        groups, people, rows = (
            np.cumsum([0, *sizes[:-1]])
            for sizes in (
                [one.size for one in several],
                [one.cluster.max(initial=-1) + 1 for one in several],
                [one.code.size for one in several],
            )
        )
        return cls(
            np.concatenate([one.code + before for one, before in zip(several, groups, strict=True)]),
            sum(one.size for one in several),
            np.concatenate([one.cluster + before for one, before in zip(several, people, strict=True)]),
            np.concatenate([one.first + before for one, before in zip(several, rows, strict=True)]),
            np.concatenate([one.second + before for one, before in zip(several, rows, strict=True)]),
            np.concatenate([one.shared for one in several]),
        )

    def sums(self, values: FloatArray) -> FloatArray:
        """Sum of `values`, (n, k), in every group: (size, k)."""
        return np.stack([np.bincount(self.code, column, self.size) for column in values.T], axis=1)

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

    def counts(self, kind: IntArray, kinds: int) -> FloatArray:
        """Rows of each kind, (n,) whole numbers below `kinds`, in every group: (size, kinds)."""
        found = np.bincount(self.code * kinds + kind, minlength=self.size * kinds)
        return found.reshape(self.size, kinds).astype(np.float64)

    def count_products(self, kind: IntArray, kinds: int) -> FloatArray:
        """Sum over participants of the products of their counts of each kind: (size, kinds, kinds) symmetric."""
        place = (self.code[self.first] * kinds + kind[self.first]) * kinds + kind[self.second]
        crossed = np.bincount(place, minlength=self.size * kinds**2).reshape(self.size, kinds, kinds)
        matrix: FloatArray = (crossed + crossed.transpose(0, 2, 1)).astype(np.float64)
        diagonal = np.arange(kinds)
        matrix[:, diagonal, diagonal] += self.counts(kind, kinds)
        return matrix

    def held(self, kind: IntArray, kinds: int) -> FloatArray:
        """Participants by the set of kinds they have rows of, as a binary number: (size, 2**kinds)."""
        single = ~self.shared
        alone = np.bincount(self.code[single] * kinds + kind[single], minlength=self.size * kinds)
        table = np.zeros((self.size, 2**kinds))
        table[:, 2 ** np.arange(kinds)] = alone.reshape(self.size, kinds)
        person = np.unique(self.cluster[self.shared] * self.size + self.code[self.shared], return_inverse=True)
        sets = np.zeros(person[0].size, np.int64)
        np.bitwise_or.at(sets, person[1], 1 << kind[self.shared])
        np.add.at(table, (person[0] % self.size, sets), 1.0)
        return table

    def clusters(self) -> FloatArray:
        """Participants with a row in every group: (size,)."""
        alone = np.bincount(self.code[~self.shared], minlength=self.size)
        several = np.unique(self.cluster[self.shared] * self.size + self.code[self.shared]) % self.size
        return (alone + np.bincount(several, minlength=self.size)).astype(np.float64)

    @property
    def is_repeated(self) -> BoolArray:
        """Groups in which a participant has several rows, (size,)."""
        return np.bincount(self.code[self.first], minlength=self.size) > 0


def _pairs(person: IntArray) -> tuple[IntArray, IntArray]:
    """Places of all pairs of rows of one person."""
    order = np.argsort(person, kind="stable")
    ordered = person[order]
    first, second = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for gap in range(1, int(np.bincount(person, minlength=1).max())):
        same = np.nonzero(ordered[gap:] == ordered[:-gap])[0]
        first.append(order[same])
        second.append(order[same + gap])
    return np.concatenate(first), np.concatenate(second)
