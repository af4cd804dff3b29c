"""Which sides of which tables a release hides, and why."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from examtally.disclosure.bounds import given_back
from examtally.disclosure.sides import CELLS, MOST_HIDDEN, Counts, Row, Shown, Side

SMALL = "a count stands for 1 to 10 participants"
EARLIER = "an earlier release differs from it by 1 to 10"
EXAMINERS = "fewer than 3 examiners stand behind the group"
COMPLEMENT = "it would give back a hidden count by subtraction"
WHOLE_ONLY = "only the table of everybody was approved for this maneuver"


@dataclass
class Hiding:
    """The sides hidden so far, each with its first reason, and the small ones shown with an approval."""

    counts: Counts
    reasons: dict[Side, str] = field(default_factory=dict)
    approved: set[Row] = field(default_factory=set)

    def hide(self, side: Side, reason: str) -> None:
        """Hide a side; a reason it already has stays."""
        self.reasons.setdefault(side, reason)

    def shown(self, rows: Collection[Row] | None = None) -> Shown:
        """The counts of `rows`, or all, as a reader sees them, None where hidden; groups of an approved table are not
        there at all."""
        return {
            row: {
                cell: None if Side(row, name) in self.reasons else self.counts.knees[row][cell]
                for name, cells in CELLS.items()
                for cell in cells
            }
            for row in (self.counts.knees if rows is None else rows)
            if row == row.whole or row.whole not in self.approved
        }


def hide(
    counts: Counts,
    *,
    earlier: Collection[Shown] = (),
    few_examiners: Collection[tuple[str, str]] = (),
    approved_from: int | None = None,
) -> Hiding:
    """Decide what to hide.

    `earlier` are the counts of earlier releases, `few_examiners` the (group_by, group) behind which fewer than three
    examiners stand, `approved_from` the least number of participants from which the table of everybody was approved
    to be shown with its small counts (then none of its groups is). First every side with a small count, a small
    difference to an earlier release or too few examiners; then, smallest first, what would give one back.
    """
    hiding = Hiding(counts)
    for row in counts.knees:
        if approved_from is not None and row == row.whole and counts.participants[row] >= approved_from:
            hiding.approved.add(row)
    for row in counts.knees:
        for name in CELLS:
            _hide_at_sight(hiding, Side(row, name), earlier, few_examiners)
    _hide_complements(hiding, earlier)
    return hiding


def _hide_at_sight(
    hiding: Hiding,
    side: Side,
    earlier: Collection[Shown],
    few_examiners: Collection[tuple[str, str]],
) -> None:
    row = side.row
    if row.whole in hiding.approved:
        if row != row.whole:
            hiding.hide(side, WHOLE_ONLY)
        return
    if hiding.counts.is_small(side):
        hiding.hide(side, SMALL)
    if (row.group_by, row.group) in few_examiners:
        hiding.hide(side, EXAMINERS)
    if any(_differs_little(hiding.counts, side, release) for release in earlier):
        hiding.hide(side, EARLIER)


def _differs_little(counts: Counts, side: Side, release: Shown) -> bool:
    """Whether a cell was shown before with another value, 1 to 10 away."""
    for cell in side.cells:
        before = release.get(side.row, {}).get(cell)
        if before is not None and 1 <= abs(counts.knees[side.row][cell] - before) <= MOST_HIDDEN:
            return True
    return False


def _hide_complements(hiding: Hiding, earlier: Collection[Shown]) -> None:
    """Hide the next smallest side of a grouping, or at last of everybody, until nothing hidden is given back."""
    tables: dict[Row, list[Row]] = {}
    for row in hiding.shown():
        tables.setdefault(row.whole, []).append(row)
    for rows in tables.values():  # tables of other maneuvers have no sum in common with these
        while True:
            shown = hiding.shown(rows)
            leaks = sorted({side for side, _ in given_back(shown, shown, earlier)})
            fresh = {side for leak in leaks if (side := _next(hiding, leak, rows)) is not None}
            if not fresh:
                break
            for side in sorted(fresh):
                hiding.hide(side, COMPLEMENT)


def _next(hiding: Hiding, leak: Side, rows: Collection[Row]) -> Side | None:
    """The smallest side of `rows` still shown whose hiding blurs the sum that gives `leak` back."""
    row = leak.row
    siblings = [
        Side(other, leak.name)
        for other in rows
        if other != row and (row == row.whole or other.group_by == row.group_by)
    ]
    open_ = [side for side in siblings if side not in hiding.reasons and hiding.counts.total(side)]
    if open_:
        return min(open_, key=lambda side: (hiding.counts.total(side), side))
    whole = Side(row.whole, leak.name)
    return whole if whole not in hiding.reasons and row.whole not in hiding.approved else None
