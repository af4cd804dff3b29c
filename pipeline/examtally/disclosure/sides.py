"""The two sides of a 2x2 table, knees with the condition and knees without, and whether a count on one is small."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

MOST_HIDDEN = 10
"""Counts of 1 to this many participants are hidden."""

GROUPINGS = ("role", "setting", "acuity", "sex", "age_band", "effusion")
"""Groupings that a release shows beside the overall table; each parts the same knees."""

CELLS = {"with_condition": ("tp", "fn"), "without_condition": ("fp", "tn")}
"""The cells of each side."""

KEY = ("condition", "maneuver", "group_by", "group")
_CELLS_OF_A_TABLE = ("tp", "fp", "fn", "tn")


@dataclass(frozen=True, order=True)
class Row:
    """Which 2x2 table: condition, maneuver, grouping and group."""

    condition: str
    maneuver: str
    group_by: str
    group: str

    @property
    def whole(self) -> Row:
        """The table of everybody that this one is a part of."""
        return Row(self.condition, self.maneuver, "overall", "all")


Shown = Mapping[Row, Mapping[str, int | None]]
"""Counts as a reader sees them, None where hidden."""


@dataclass(frozen=True, order=True)
class Side:
    """One side of one 2x2 table: `with_condition` or `without_condition`."""

    row: Row
    name: str

    @property
    def cells(self) -> tuple[str, ...]:
        """The two cells that are shown or hidden together."""
        return CELLS[self.name]


@dataclass(frozen=True)
class Counts:
    """Knees in each cell of the tables that a release may show, and the fewest participants each can stand for.

    `fewest[row][cell]` is the least number of participants that can make the count: (sum of knees) squared over the
    sum of squared knees a participant (Cauchy-Schwarz), rounded up. `participants` are those behind a whole table.
    """

    knees: Mapping[Row, Mapping[str, int]]
    fewest: Mapping[Row, Mapping[str, int]]
    participants: Mapping[Row, int]

    def total(self, side: Side) -> int:
        """Knees on a side."""
        return sum(self.knees[side.row][cell] for cell in side.cells)

    def is_small(self, side: Side) -> bool:
        """Whether a cell of the side may stand for 1 to 10 participants."""
        return any(0 < self.fewest[side.row][cell] <= MOST_HIDDEN for cell in side.cells)


def counts_of(tallies: pl.DataFrame) -> Counts:
    """Read the tables of a release from `tallies`; those without a verified knee are left out."""
    kept = tallies.filter(pl.col("group_by").is_in(["overall", *GROUPINGS]) & (pl.col("verified") > 0)).sort(KEY)
    knees: dict[Row, dict[str, int]] = {}
    fewest: dict[Row, dict[str, int]] = {}
    participants: dict[Row, int] = {}
    for line in kept.iter_rows(named=True):
        row = Row(*(line[name] for name in KEY))
        participants[row] = line["participants"]
        knees[row] = {cell: line[cell] for cell in _CELLS_OF_A_TABLE}
        fewest[row] = {
            cell: -(-(line[cell] ** 2) // line[f"{cell}_{cell}"]) if line[cell] else 0 for cell in _CELLS_OF_A_TABLE
        }
    return Counts(knees, fewest, participants)
