"""What a reader can work out about hidden counts from those that are shown: exact integer bounds.

The groups of a grouping add up to the table of everybody, for each cell. Several groupings share that table and no
other, so the sums form a tree; on a tree, narrowing each count by each sum until nothing moves gives the exact range
of every count (interval propagation on an acyclic system of sums).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from examtally.disclosure.sides import CELLS, MOST_HIDDEN, Row, Shown, Side

FEWEST_VALUES = 5
"""A hidden count of 1 to 10 must leave a reader at least this many values it could have."""

UNBOUNDED = 10**9


@dataclass(frozen=True)
class Range:
    """The least and the most a count can be, ends included."""

    low: int
    high: int

    @property
    def gives_back(self) -> bool:
        """Whether it says too much about a count, or a difference, of 1 to 10; that it is 0 says nothing of anybody."""
        is_narrow = self.high - self.low + 1 < FEWEST_VALUES
        return is_narrow and self.low <= MOST_HIDDEN and self.high >= -MOST_HIDDEN and (self.low, self.high) != (0, 0)

    def beyond(self, count: int) -> Range:
        """The range of the difference to a count known from elsewhere."""
        return Range(self.low - count, self.high - count)


def given_back(rows: Iterable[Row], shown: Shown, earlier: Collection[Shown] = ()) -> dict[tuple[Side, str], Range]:
    """The hidden counts of which a reader learns too much: of themselves, or of their difference to an earlier release.

    Raises ValueError where counts that are shown contradict each other.
    """
    leaks: dict[tuple[Side, str], Range] = {}
    for (side, cell), span in ranges(rows, shown).items():
        before = [count for release in earlier if (count := release.get(side.row, {}).get(cell)) is not None]
        if span.gives_back or any(span.beyond(count).gives_back for count in before):
            leaks[side, cell] = span
    return leaks


def ranges(rows: Iterable[Row], shown: Shown) -> dict[tuple[Side, str], Range]:
    """Range of each cell of `rows` that `shown` does not give, worked out from those it gives.

    `rows` are all tables, hidden or not; the groups of every grouping among them add up to the table of everybody.
    Raises ValueError where counts that are shown contradict each other.
    """
    found: dict[tuple[Side, str], Range] = {}
    by_whole: dict[Row, list[Row]] = {}
    for row in rows:
        by_whole.setdefault(row.whole, []).append(row)
    for whole, parts in by_whole.items():
        for name, cells in CELLS.items():
            for cell in cells:
                solved = _solve(whole, parts, {row: shown.get(row, {}).get(cell) for row in parts})
                found |= {
                    (Side(row, name), cell): span
                    for row, span in solved.items()
                    if shown.get(row, {}).get(cell) is None and row in parts
                }
    return found


def _solve(whole: Row, parts: list[Row], known: Mapping[Row, int | None]) -> dict[Row, Range]:
    """Ranges of one cell in the whole table and in every group of it."""
    span = {row: Range(0, UNBOUNDED) if value is None else Range(value, value) for row, value in known.items()}
    span.setdefault(whole, Range(0, UNBOUNDED))
    groupings: dict[str, list[Row]] = {}
    for row in parts:
        if row != whole:
            groupings.setdefault(row.group_by, []).append(row)
    while True:
        before = dict(span)
        for groups in groupings.values():
            _narrow(span, whole, groups)
        if span == before:
            return span


def _narrow(span: dict[Row, Range], whole: Row, groups: list[Row]) -> None:
    """Narrow the whole by its groups and each group by the whole and the others."""
    low, high = sum(span[row].low for row in groups), sum(span[row].high for row in groups)
    span[whole] = _meet(span[whole], low, high)
    for row in groups:
        others_low, others_high = low - span[row].low, high - span[row].high
        fresh = _meet(span[row], span[whole].low - others_high, span[whole].high - others_low)
        low, high = low + fresh.low - span[row].low, high + fresh.high - span[row].high
        span[row] = fresh


def _meet(span: Range, low: int, high: int) -> Range:
    met = Range(max(span.low, low), min(span.high, high))
    if met.low > met.high:
        raise ValueError("the groups of a table do not add up to it")
    return met
