"""Which 2x2 tables go out, and why the others do not: a table goes out whole or leaves no trace.

A table has no holes. Nothing is hidden inside one, so nothing can be worked out from what stands beside it; what can
be worked out from several, the people in none of the groups shown, meets the same rules as a table of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from examtally.disclosure.tables import CELLS, FEWEST, SIDES, Row, Table

FEWEST_APPROVED = 50
_MOST_OF_ONE = 5  # one person is at most one knee in five of a count
_FEWEST_GROUPS = 2

SMALL = "a count stands for fewer than 11 people"
ALIKE = "everybody of one finding or with one answer would be alike, or fewer than 11 people have one of the answers"
DOMINANT = "more than a fifth of a count may be one person"
EXAMINERS = "fewer than 3 examiners stand behind the group"
OTHERS = "with it shown, too few would be left in the groups that are not"
FEW_GROUPS = "fewer than two groups of this grouping can be shown"
NEAR = "it differs by fewer than 11 people from a table that goes out of another test with the same maneuver"
LINKED = "the maneuver goes out under another condition, or did before; the two together would tell who has which"
WHOLE_ONLY = "only the table of everybody was approved for this maneuver"


@dataclass(frozen=True)
class Selection:
    """The tables that go out, those that do not with the reason, and those shown with small counts by approval."""

    tables: Mapping[Row, Table]
    left_out: Mapping[Row, str]
    approved: frozenset[Row] = frozenset()

    def is_corrected(self, row: Row) -> bool:
        """Whether the table goes out and figures corrected for verification beside it."""
        return row in self.tables and self.tables[row].may_be_corrected

    def without(self, wholes: Collection[Row], reason: str) -> Selection:
        """The selection without these tables of everybody and their groups."""
        gone = {row for row in self.tables if row.whole in wholes}
        return Selection(
            {row: table for row, table in self.tables.items() if row not in gone},
            dict(sorted({**self.left_out, **dict.fromkeys(gone, reason)}.items())),
            self.approved - gone,
        )


@dataclass(frozen=True)
class Rules:
    """What a selection depends on beside the counts.

    `conditions` in the order in which they are tried for a maneuver, `earlier` those under which a maneuver of the
    catalogue went out before, `made_of` the maneuvers behind a test with a code of its own, `few_examiners` the
    (group_by, group) with too few of them, `is_approved` whether the tables of everybody may show small counts.
    """

    conditions: Mapping[str, Sequence[str]]
    earlier: Mapping[str, Collection[str]]
    made_of: Mapping[str, frozenset[str]]
    few_examiners: Collection[tuple[str, str]] = ()
    is_approved: bool = False


def select(tables: Mapping[Row, Table], rules: Rules) -> Selection:
    """Choose the tables that go out. What is chosen depends on these counts alone, never on earlier ones."""
    wholes, left_out, approved = _wholes(tables, rules)
    shown = {row: tables[row] for row in wholes}
    for whole in wholes:
        for group_by in dict.fromkeys(row.group_by for row in tables if row.whole == whole and row != whole):
            groups = {row: table for row, table in tables.items() if (row.whole, row.group_by) == (whole, group_by)}
            reasons = dict.fromkeys(groups, WHOLE_ONLY) if whole in approved else _reasons(tables[whole], groups, rules)
            left_out |= reasons
            shown |= {row: table for row, table in groups.items() if row not in reasons}
    left_out |= {row: left_out[row.whole] for row in tables if row not in shown and row not in left_out}
    return Selection(dict(sorted(shown.items())), dict(sorted(left_out.items())), frozenset(approved))


def _wholes(tables: Mapping[Row, Table], rules: Rules) -> tuple[list[Row], dict[Row, str], set[Row]]:
    """The tables of everybody that go out, one condition a maneuver; the others with the reason; the approved."""
    chosen: list[Row] = []
    left_out: dict[Row, str] = {}
    approved: set[Row] = set()
    order = [Row(condition, maneuver) for maneuver, known in rules.conditions.items() for condition in known]
    for row in [row for row in order if row in tables]:
        own = _reason(tables[row])
        is_approved = own is not None and rules.is_approved and _may_be_approved(tables[row])
        reason = _linked(row, tables, chosen, rules) or (None if is_approved else own)
        if reason is not None:
            left_out[row] = reason
            continue
        chosen.append(row)
        if is_approved:
            approved.add(row)
    return chosen, left_out, approved


def _linked(row: Row, tables: Mapping[Row, Table], chosen: Collection[Row], rules: Rules) -> str | None:
    """Why a table would tell too much beside others of the same maneuver, those chosen or those that went out."""
    maneuvers = _maneuvers(row, rules)
    before = [rules.earlier[one] for one in maneuvers if one in rules.earlier]
    if any(row.condition not in conditions for conditions in before):
        return LINKED
    beside = [other for other in chosen if _maneuvers(other, rules) & maneuvers]
    if any(other.condition != row.condition for other in beside):
        return LINKED
    return NEAR if any(_is_near(tables[row], tables[other]) for other in beside) else None


def _maneuvers(row: Row, rules: Rules) -> frozenset[str]:
    return rules.made_of.get(row.maneuver, frozenset((row.maneuver,)))


def _is_near(table: Table, other: Table) -> bool:
    again = max(*table.again.values(), *other.again.values()) // 2
    return any(abs(table.knees[cell] - other.knees[cell]) - again < FEWEST for cell in CELLS)


def _may_be_approved(table: Table) -> bool:
    """Small counts may be approved from 50 people on; never a zero, nor so few with one answer."""
    return (
        table.participants >= FEWEST_APPROVED
        and all(table.knees[cell] > 0 for cell in CELLS)
        and min(table.present, table.absent) >= FEWEST
    )


def _reason(table: Table) -> str | None:
    """Why a table cannot go out by itself, None where it can."""
    if any(sum(table.knees[cell] for cell in cells) == 0 for cells in SIDES.values()) or 0 in table.knees.values():
        return ALIKE
    if any(table.people(cell) < FEWEST for cell in CELLS):
        return SMALL
    if any(_MOST_OF_ONE * table.of_one(cell) > table.knees[cell] for cell in CELLS):
        return DOMINANT
    return None


def _reasons(whole: Table, groups: Mapping[Row, Table], rules: Rules) -> dict[Row, str]:
    """Why groups of one grouping do not go out: they cannot by themselves, or too few would be left in the others."""
    reasons: dict[Row, str] = {}
    for row, table in groups.items():
        own = _reason(table)
        if own is None and (row.group_by, row.group) in rules.few_examiners:
            own = EXAMINERS
        if own is not None:
            reasons[row] = own
    while len(reasons) < len(groups) and not _others_are_safe(whole, groups, reasons, rules):
        row = min((row for row in groups if row not in reasons), key=lambda row: (min(groups[row].knees.values()), row))
        reasons[row] = OTHERS
    if len(groups) - len(reasons) < _FEWEST_GROUPS:
        reasons |= {row: FEW_GROUPS for row in groups if row not in reasons}
    return reasons


def _others_are_safe(whole: Table, groups: Mapping[Row, Table], hidden: Collection[Row], rules: Rules) -> bool:
    """Whether the people in no group shown could go out as a table of their own, or there is nobody."""
    others = whole.without([table for row, table in groups.items() if row not in hidden])
    if not any(others.knees.values()):
        return True
    has_few = bool(hidden) and all((row.group_by, row.group) in rules.few_examiners for row in hidden)
    return min(others.knees.values()) >= 0 and _reason(others) is None and not has_few
