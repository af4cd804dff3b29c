"""The 2x2 tables that may go out: knees in each cell, and how few people and how much of one person they may be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isqrt

import polars as pl

from examtally.contracts.protocol.estimates import levels_of

FEWEST = 11
"""A count goes out only if it stands for at least this many people."""

CELLS = ("tp", "fp", "fn", "tn")
SIDES = {"present": ("tp", "fn"), "absent": ("fp", "tn")}
"""Cells of the knees with the condition and of those without."""

KEY = ("condition", "maneuver", "group_by", "group")
Counts = Mapping[str, int]
"""Knees by cell."""


@dataclass(frozen=True, order=True)
class Row:
    """Which 2x2 table: condition, maneuver, grouping and group."""

    condition: str
    maneuver: str
    group_by: str = "overall"
    group: str = "all"

    @property
    def whole(self) -> Row:
        """The table of everybody that this one is a part of."""
        return Row(self.condition, self.maneuver)

    @property
    def levels(self) -> tuple[str, ...]:
        """The levels that its group is made of; most are one alone."""
        return levels_of(self.group)


@dataclass(frozen=True)
class Table:
    """Knees by cell; `again` by cell: the sum over people of k(k - 1) for k knees of one of them in it.

    `present` and `absent` are the people on either side, `participants` all of them, `unverified` the fewer of the
    knees found positive and of those found negative whose answer nobody knows.
    """

    knees: Counts
    again: Counts
    present: int
    absent: int
    participants: int
    unverified: int

    def people(self, cell: str) -> int:
        """The fewest people that a cell can stand for: at most `again`/2 of its knees are further knees of somebody."""
        return max(0, self.knees[cell] - self.again[cell] // 2)

    def of_one(self, cell: str) -> int:
        """The most knees of a cell that can be one person's: k(k - 1) is at most `again`."""
        return min(self.knees[cell], (1 + isqrt(1 + 4 * self.again[cell])) // 2)

    @property
    def may_be_corrected(self) -> bool:
        """Whether figures corrected for verification may go out: enough knees of either finding lack an answer.

        A person has two knees, so that twice as many knees are asked for as people.
        """
        return self.unverified >= 2 * FEWEST

    def without(self, parts: list[Table]) -> Table:
        """What is left of it when groups of it are taken away, at worst: `again` as in the whole."""
        knees = {cell: self.knees[cell] - sum(part.knees[cell] for part in parts) for cell in CELLS}
        return Table(knees, self.again, 0, 0, self.participants, 0)


def tables_of(tallies: pl.DataFrame) -> dict[Row, Table]:
    """Read the 2x2 tables of `tallies`; those without a verified knee are left out."""
    kept = tallies.filter(pl.col("verified") > 0).sort(KEY)
    return {
        Row(*(line[name] for name in KEY)): Table(
            knees={cell: line[cell] for cell in CELLS},
            again={cell: line[f"{cell}_{cell}"] - line[cell] for cell in CELLS},
            present=line["participants_present"],
            absent=line["participants_absent"],
            participants=line["participants"],
            unverified=min(line["unverified_positive"], line["unverified_negative"]),
        )
        for line in kept.iter_rows(named=True)
    }
