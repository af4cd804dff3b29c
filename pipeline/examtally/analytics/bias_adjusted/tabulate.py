"""The 2x2 table of every maneuver of a condition, overall and by group, draw by draw."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from examtally.analytics.bias_adjusted.draws import StatusDraws
from examtally.analytics.bias_adjusted.figures import Cells
from examtally.analytics.bias_adjusted.knees import StatusKnees
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.terms import clear_findings

OVERALL, ALL = "overall", "all"
_DENSE = 0.1  # share of places filled from which whole rows are quicker
FEWEST = 20  # knees expected on a side below which nothing is said of it


@dataclass(frozen=True)
class Members:
    """One maneuver in one group of knees: places of those with a clear finding, and whether it was positive.

    `expected` is how many of them are expected with the condition and without, None where the condition has no model.
    """

    maneuver: str
    group_by: str
    group: str
    places: np.ndarray
    is_positive: BoolArray
    verified: int
    participants: int
    expected: tuple[float, float] | None

    @classmethod
    def of(
        cls,
        knees: StatusKnees,
        chance: FloatArray | None,
        maneuver: str,
        clear: BoolArray,
        positive: BoolArray,
        *,
        group_by: str = OVERALL,
        group: str = ALL,
    ) -> Members:
        """Those of `knees` that are `clear`, (n,), with `positive` and the `chance` of the condition of each, (n,)."""
        places = np.flatnonzero(clear)
        with_it = None if chance is None else float(chance[places].sum())
        return cls(
            maneuver=maneuver,
            group_by=group_by,
            group=group,
            places=places,
            is_positive=positive[places],
            verified=int(knees.is_verified[places].sum()),
            participants=int(np.count_nonzero(np.bincount(knees.participants[places]))),
            expected=None if with_it is None else (with_it, places.size - with_it),
        )

    @property
    def is_enough(self) -> bool:
        """Whether enough knees are expected on either side for any figure."""
        return self.expected is not None and max(self.expected) >= FEWEST


def members(
    knees: StatusKnees, maneuvers: tuple[str, ...], group_bys: tuple[str, ...], chance: FloatArray | None
) -> Iterator[Members]:
    """Every maneuver, overall and in every group that holds a knee with a clear finding."""
    groups = [(OVERALL, ALL, np.ones(knees.rows.size, bool))]
    for name in group_bys:
        column = knees.frame[name]
        groups += [(name, label, (column == label).to_numpy()) for label in column.unique().sort()]
    for maneuver in maneuvers:
        found, positive = clear_findings(knees.frame[f"result_{maneuver}"])
        for group_by, group, inside in groups:
            clear = inside & found
            if group_by == OVERALL or clear.any():
                yield Members.of(knees, chance, maneuver, clear, positive, group_by=group_by, group=group)


def tabulate(draws: StatusDraws, chosen: list[Members]) -> Cells:
    """Draws of the 2x2 table of each of `chosen`, arrays of (members, draws)."""
    present, absent = count(
        draws, [each.places[side] for each in chosen for side in (each.is_positive, ~each.is_positive)]
    )
    return Cells(tp=present[::2], fp=absent[::2], fn=present[1::2], tn=absent[1::2])


def count(draws: StatusDraws, sets: Sequence[np.ndarray]) -> tuple[FloatArray, FloatArray]:
    """Weighted knees with and without the condition in each of `sets` of places, (sets, draws) each."""
    starts = np.cumsum([0, *(places.size for places in sets)])
    columns = np.concatenate(sets) if sets else np.empty(0, np.int64)
    values = csr_array(
        (np.ones(columns.size, np.float32), columns, starts), shape=(len(sets), draws.rows.size), dtype=np.float32
    )
    return draws.sums(values.toarray() if columns.size > _DENSE * len(sets) * draws.rows.size else values)
