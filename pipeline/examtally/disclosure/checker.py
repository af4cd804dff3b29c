"""The checker: reads what goes out as an outsider would, with all that went out before, and works out what it can.

Nothing here knows how tables were chosen. It takes the printed counts and figures, writes down what they say of counts
that are not printed, and asks for the exact range of each.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import combinations
from types import MappingProxyType

from examtally.disclosure.bounds import Range, System
from examtally.disclosure.folder import Release
from examtally.disclosure.ledger import Shown
from examtally.disclosure.tables import CELLS, FEWEST, SIDES, Row

_PERSONS = re.compile(r"(examiner|participant|reader|exam|reference)_id|pairs?\b", re.I)
_OF_PERSONS = ("examiner", "examiner_pair", "same_examiner", "site", "period")
_HALF = 0.005 + 1e-9  # a figure is rounded to two decimals
_STATUSES = ("present", "absent", "unknown")


def leaks(
    release: Release, earlier: Sequence[Shown] = (), parts: Mapping[str, Collection[str]] = MappingProxyType({})
) -> list[str]:
    """What the release gives back, one plain sentence each, without the count itself; empty where nothing is.

    Tried: small counts and zeros that are simply there; people in no group shown; what changed between releases, groups
    shown at one time and not at another among it; two conditions of one maneuver; differences turned back into pairs;
    figures without counts; columns about persons. Corrected figures alone bound no count: they tell a ratio of knees.
    `parts` are the conditions of which another is made. Raises ValueError where counts contradict each other.
    """
    now, approved = release.shown, {Row(*key) for key in release.about.get("approved", [])}
    return [
        *_small(now, approved),
        *_by_groups(_joined(now, earlier), approved),
        *(sentence for before in earlier for sentence in _by_time(now, before)),
        *_by_conditions([now, *(before for before in earlier if before.records == now.records)], parts),
        *_by_pairs(release, approved),
        *_without_counts(release),
        *_persons(release),
    ]


def _small(now: Shown, approved: Collection[Row]) -> Iterator[str]:
    for row, cells in now.counts.items():
        if any(cells[cell] == 0 for cell in CELLS):
            yield f"{_place(row)}: everybody of one finding or with one answer is alike"
        elif min(cells.values()) < FEWEST and row not in approved:
            yield f"{_place(row)}: a count is shown although it is small"
        elif any(sum(cells[cell] for cell in side) < FEWEST for side in SIDES.values()):
            yield f"{_place(row)}: fewer than {FEWEST} people have one of the answers"


def _by_groups(now: Shown, approved: Collection[Row]) -> Iterator[str]:
    """The people in none of the groups shown, or in a level that was merged with others: small, or alike, by
    subtraction.
    """
    for whole, group_by in _groupings(now):
        if whole in approved:
            yield f"{_place(whole)}: groups are shown beside a table with small counts"
        found = [_others(now, whole, group_by, cell) for cell in CELLS]
        if not _is_nobody(now, whole, group_by) and any(span.tells for span in found):
            yield f"{_place(whole)}: the people in no group by {group_by} can be worked out"
        for row in (row for row in _parts(now, whole, group_by) if len(row.levels) > 1):
            if any(_of_level(now, whole, group_by, cell, level).tells for cell in CELLS for level in row.levels):
                yield f"{_place(row)}: the people in one of its levels can be worked out"


def _joined(now: Shown, earlier: Sequence[Shown]) -> Shown:
    """A release with the groups that went out before of the same records, where the table of everybody is the same."""
    counts = dict(now.counts)
    for before in (one for one in earlier if one.records == now.records):
        same = {row for row in before.counts if now.counts.get(row.whole) == before.counts.get(row.whole)}
        counts = {row: before.counts[row] for row in same} | counts
    return Shown(now.records, counts, {})


def _is_as_it_was(now: Shown, before: Shown, whole: Row, group_by: str) -> bool:
    """Whether the table, and every group that both show, has the same counts."""
    both = [row for row in _parts(now, whole, group_by) if row in before.counts]
    return all(now.counts[row] == before.counts[row] for row in (whole, *both))


def _by_time(now: Shown, before: Shown) -> Iterator[str]:
    """What changed in a table, in a group, and in the people in no group, between two releases."""
    for whole in (row for row in now.counts if row == row.whole and row in before.counts):
        groupings = {group_by for shown in (now, before) for row, group_by in _groupings(shown) if row == whole}
        for group_by in sorted(groupings) or ["overall"]:
            if now.records == before.records and _is_as_it_was(now, before, whole, group_by):
                continue
            changes = _changes(now, before, whole, group_by)
            if any(span.tells for spans in changes for span in spans):
                yield f"{_place(whole)}, {group_by}: what changed since an earlier release can be worked out"


def _changes(now: Shown, before: Shown, whole: Row, group_by: str) -> Iterator[list[Range]]:
    """By cell, the ranges of what changed in the table, in every group that one of the two shows, and in the rest."""
    groups = sorted({one for shown in (now, before) for row in _parts(shown, whole, group_by) for one in row.levels})
    others = () if all(_is_nobody(shown, whole, group_by) for shown in (now, before)) else ("others",)
    for cell in CELLS:
        system = System()
        for time, shown in (("now", now), ("before", before)):
            for row in _parts(shown, whole, group_by):
                system.equal({f"{time} {level}": 1 for level in row.levels}, shown.counts[row][cell])
            system.equal({f"{time} {group}": 1 for group in (*groups, "others")}, shown.counts[whole][cell])
        names = [(group,) for group in (*groups, *others)] + [(*groups, "others")]
        yield [
            system.range({f"{time} {group}": sign for group in some for time, sign in (("now", 1), ("before", -1))})
            for some in names
        ]


def _by_conditions(releases: Sequence[Shown], parts: Mapping[str, Collection[str]]) -> Iterator[str]:
    """Two conditions of one maneuver on the same knees: who has one and not the other, or an answer to one only."""
    counts = {row: cells for shown in reversed(releases) for row, cells in shown.counts.items()}
    for one, other in combinations(sorted(counts), 2):
        if (one.maneuver, one.group_by, one.group) != (other.maneuver, other.group_by, other.group):
            continue
        whole, part = (one, other) if other.condition in parts.get(one.condition, ()) else (other, one)
        is_composite = part.condition in parts.get(whole.condition, ())
        for cells in (("tp", "fp"), ("fn", "tn")):
            if any(span.tells for span in _crossed(counts[part], counts[whole], cells, is_composite=is_composite)):
                yield f"{_place(part)} and {whole.condition}: who has one of the two can be worked out"
                break


def _crossed(
    part: Mapping[str, int], whole: Mapping[str, int], cells: tuple[str, str], *, is_composite: bool
) -> list[Range]:
    """Ranges of knees of one finding by both conditions. Where as many have an answer to either, they are the same
    knees to any reader; where they are not, how many more have an answer to one is told as it stands."""
    system = System()
    for place, (cell, status) in enumerate(zip(cells, _STATUSES, strict=False)):
        system.equal({f"{status} {other}": 1 for other in _STATUSES}, part[cells[place]])
        system.equal({f"{other} {status}": 1 for other in _STATUSES}, whole[cell])
    never = ["unknown unknown"]
    if is_composite:  # with a part of it the whole is present; without the whole every part is absent
        never += ["present absent", "present unknown", "unknown absent"]
    surplus = sum(part[cell] - whole[cell] for cell in cells)
    if surplus == 0:
        never += [f"{status} unknown" for status in _STATUSES[:2]] + [f"unknown {status}" for status in _STATUSES[:2]]
    system.equal(dict.fromkeys(never, 1), 0)
    inner = [f"{one} {other}" for one in _STATUSES[:2] for other in _STATUSES[:2]]
    spans = [system.range({name: 1}) for name in inner if name not in never]
    return [*spans, *([Range(surplus, surplus)] if surplus else [])]


def _by_pairs(release: Release, approved: Collection[Row]) -> Iterator[str]:
    """Knees right by one of two maneuvers alone, by both or by neither, from the printed difference."""
    right = {"sensitivity": ("tp", "fn"), "specificity": ("tn", "fp")}
    frame = release.figures.get("comparisons")
    for line in () if frame is None else frame.filter(adjustment="none").iter_rows(named=True):
        rows = [Row(line["condition"], line[name]) for name in ("maneuver_a", "maneuver_b")]
        if not all(row in release.shown.counts for row in rows) or any(row in approved for row in rows):
            continue
        system, names = System(), ("both", "first", "second", "neither")
        hit, miss = right[line["measure"]]
        for row, alone, other in zip(rows, names[1:3], names[2:0:-1], strict=True):
            system.between({"both": 1, alone: 1}, 0, release.shown.counts[row][hit])
            system.between({"neither": 1, other: 1}, 0, release.shown.counts[row][miss])
        for limit, sign in ((line["difference"] - _HALF, 1), (line["difference"] + _HALF, -1)):
            gain = {"both": 0, "first": 1, "second": -1, "neither": 0}
            system.between({name: sign * (gain[name] - limit) for name in names}, 0, float("inf"))
        if any(span.tells for span in _possible(system, names)):
            yield f"{_place(rows[0])} and {rows[1].maneuver}: pairs can be worked out from their difference"


def _possible(system: System, names: Sequence[str]) -> list[Range]:
    """The ranges of variables; none where the figures come from another formula and so fit no counts."""
    try:
        return [system.range({name: 1}) for name in names]
    except ValueError:
        return []


def _without_counts(release: Release) -> Iterator[str]:
    for row in sorted(release.told - release.shown.counts.keys()):
        yield f"{_place(row)}: figures are shown although the counts are not"


def _persons(release: Release) -> Iterator[str]:
    for name, frame in {"counts": release.counts, **release.figures}.items():
        for column in frame.columns:
            if _PERSONS.search(column):
                yield f"{name}: column {column} is about persons"
        if "group_by" in frame.columns and frame["group_by"].is_in(_OF_PERSONS).any():
            yield f"{name}: rows about persons, places or periods"


def _is_nobody(shown: Shown, whole: Row, group_by: str) -> bool:
    """Whether the groups shown are everybody."""
    return all(_others(shown, whole, group_by, cell) == Range(0, 0) for cell in CELLS)


def _others(shown: Shown, whole: Row, group_by: str, cell: str) -> Range:
    """The range of a cell of the people in no group shown."""
    return _of_level(shown, whole, group_by, cell, "others")


def _of_level(shown: Shown, whole: Row, group_by: str, cell: str, level: str) -> Range:
    """The range of a cell of one level of a grouping."""
    system = System()
    parts = _parts(shown, whole, group_by)
    for row in parts:
        system.equal(dict.fromkeys(row.levels, 1), shown.counts[row][cell])
    levels = [one for row in parts for one in row.levels]
    system.equal(dict.fromkeys([*levels, "others"], 1), shown.counts[whole][cell])
    return system.range({level: 1})


def _parts(shown: Shown, whole: Row, group_by: str) -> list[Row]:
    return [row for row in shown.counts if row.whole == whole and row.group_by == group_by and row != whole]


def _groupings(shown: Shown) -> list[tuple[Row, str]]:
    return sorted({(row.whole, row.group_by) for row in shown.counts if row != row.whole})


def _place(row: Row) -> str:
    return f"{row.condition}, {row.maneuver}, {row.group_by} {row.group}"
