"""The ledger of what went out: an entry of the registry's sealed log for every release and bundle, with its counts.

A reader who holds two releases can subtract one from the other. So a table goes out again only as it was, from the
same records, or when every count of it, and of the people in no group shown, differs by at least 11 people. Whether it
may is decided for a release as a whole: were single tables hidden, those hidden would tell whom the new people are.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from typing import Any

from examtally.disclosure.tables import CELLS, FEWEST, Counts, Row
from examtally.registry.audit_log import Entry

RELEASE = "release"
"""The action of the registry's log under which releases and bundles are entered."""


@dataclass(frozen=True)
class Shown:
    """The counts of one release.

    Of which `records`; `counts` by table; `again` by table, the most knees of a cell that are further ones of people
    already counted in it; `made_of`, the maneuvers of the catalogue behind each test that goes by a code of its own.
    """

    records: str
    counts: Mapping[Row, Counts]
    again: Mapping[Row, int]
    made_of: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def maneuvers(self, code: str) -> frozenset[str]:
        """The maneuvers behind a test; a maneuver is its own."""
        return self.made_of.get(code, frozenset((code,)))

    def to_details(self) -> dict[str, Any]:
        """Everything as plain data for the log."""
        return {
            "records": self.records,
            "counts": [
                [*astuple(row), *(cells[cell] for cell in CELLS), self.again[row]] for row, cells in self.counts.items()
            ],
            "made_of": {code: sorted(maneuvers) for code, maneuvers in self.made_of.items()},
        }


def entered(log: Iterable[Entry]) -> list[Shown]:
    """What went out by the entries of a log, oldest first."""
    return [_shown(json.loads(entry.details)) for entry in log if entry.action == RELEASE]


def before(log: Sequence[Entry], content: str, newest: int) -> list[Shown]:
    """What had gone out before the release with this sum; where the log does not know it, up to its entry `newest`."""
    own = [one.entry for one in log if one.action == RELEASE and json.loads(one.details)["sum"] == content]
    return entered(one for one in log if one.entry < min(own, default=newest + 1))


def sums(log: Iterable[Entry]) -> set[str]:
    """The sums over the files of every release that was entered."""
    return {json.loads(entry.details)["sum"] for entry in log if entry.action == RELEASE}


def conditions_before(earlier: Iterable[Shown]) -> dict[str, set[str]]:
    """The conditions under which each maneuver went out before."""
    found: dict[str, set[str]] = {}
    for shown in earlier:
        for row in shown.counts:
            for maneuver in shown.maneuvers(row.maneuver):
                found.setdefault(maneuver, set()).add(row.condition)
    return found


def too_close(now: Shown, before: Shown) -> list[Row]:
    """The tables that differ from one that went out before by fewer than 11 people in a count, but for those that are
    as they were, of the same records.

    Compared are tables of one condition and group by tests that have a maneuver in common, and the people in none of
    the groups that both show, who stand here as group `others`.
    """
    pairs = [(row, other) for row in now.counts for other in before.counts if _are_alike(now, row, before, other)]
    found = [row for row, other in pairs if _is_close(now, before, row, now.counts[row], before.counts[other], other)]
    by_grouping: dict[tuple[Row, Row, str], list[tuple[Row, Row]]] = {}
    for row, other in pairs:
        if row != row.whole:
            by_grouping.setdefault((row.whole, other.whole, row.group_by), []).append((row, other))
    for (whole, other, group_by), groups in by_grouping.items():
        mine = _others(now.counts, whole, [row for row, _ in groups])
        theirs = _others(before.counts, other, [row for _, row in groups])
        if (any(mine.values()) or any(theirs.values())) and _is_close(now, before, whole, mine, theirs, other):
            found.append(Row(whole.condition, whole.maneuver, group_by, "others"))
    return found


def _are_alike(now: Shown, row: Row, before: Shown, other: Row) -> bool:
    is_same_group = (row.condition, row.group_by, row.group) == (other.condition, other.group_by, other.group)
    return is_same_group and bool(now.maneuvers(row.maneuver) & before.maneuvers(other.maneuver))


def _is_close(now: Shown, before: Shown, row: Row, mine: Counts, theirs: Counts, other: Row) -> bool:
    if now.records == before.records and mine == theirs:
        return False
    again = max(now.again[row], before.again[other])
    return any(abs(mine[cell] - theirs[cell]) - again < FEWEST for cell in CELLS)


def _others(counts: Mapping[Row, Counts], whole: Row, groups: list[Row]) -> dict[str, int]:
    """The knees of a table that are in none of these groups of it."""
    return {cell: counts[whole][cell] - sum(counts[row][cell] for row in groups) for cell in CELLS}


def _shown(details: Mapping[str, Any]) -> Shown:
    lines = [(Row(*line[:4]), dict(zip(CELLS, line[4:8], strict=True)), line[8]) for line in details["counts"]]
    return Shown(
        details["records"],
        {row: cells for row, cells, _ in lines},
        {row: again for row, _, again in lines},
        {code: frozenset(maneuvers) for code, maneuvers in details["made_of"].items()},
    )
