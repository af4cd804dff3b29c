"""What a mapping asks of one export: which columns it reads, once for each combination of the names of `each`.

A column without a name is never read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product

from examtally.contracts.mapping.mapping import CELL, PIECE, ExportSource, Rows, Withdrawn, fold
from examtally.errors import FileFault
from examtally.ingestion.mapping.header import Header

_MOST_NAMED = 12


@dataclass(frozen=True)
class Binding:
    """One reading of a line: the code of each name, the place of each column it reads, and where it makes a row."""

    codes: Mapping[str, str]
    places: Mapping[str, int]
    when_any: tuple[int, ...]


@dataclass(frozen=True)
class Plan:
    """How one entry of a mapping reads one export."""

    rows: Rows
    bindings: tuple[Binding, ...]

    @property
    def places(self) -> set[int]:
        """The columns it reads."""
        return {place for one in self.bindings for place in (*one.places.values(), *one.when_any)}


@dataclass(frozen=True)
class WithdrawnPlan:
    """The places of the participant and of what tells of the withdrawal, and the folded words that do."""

    participant: int
    when: int
    words: tuple[str, ...]


@dataclass(frozen=True)
class SourcePlan:
    """All that is read from one export; `skipped_by` holds the place of the column of each rule for skipping."""

    plans: tuple[Plan, ...]
    skipped_by: tuple[int, ...]
    withdrawn: tuple[WithdrawnPlan, ...] = ()

    @property
    def places(self) -> set[int]:
        """The columns that are read."""
        withdrawn = {place for one in self.withdrawn for place in (one.participant, one.when)}
        return {*withdrawn, *self.skipped_by, *(place for plan in self.plans for place in plan.places)}


def plan_source(
    source: ExportSource, entries: tuple[Rows, ...], withdrawn: tuple[Withdrawn, ...], header: Header, where: str
) -> SourcePlan:
    """Find every column that the entries read; raises FileFault, one line a fault, also for columns nobody reads."""
    plans, lacking = [], []
    for rows in entries:
        bindings, missing = _bindings(rows, header)
        plans.append(Plan(rows, bindings))
        lacking += missing
    skipped_by = [header.place(skip.column) for skip in source.skip]
    lacking += [skip.column for skip, place in zip(source.skip, skipped_by, strict=True) if place is None]
    told_by = [(header.place(one.participant), header.place(one.when), one) for one in withdrawn]
    lacking += [one.participant for who, _, one in told_by if who is None]
    lacking += [one.when for _, when, one in told_by if when is None]
    if lacking:
        names = [f"'{name}'" for name in dict.fromkeys(lacking)]
        named = ", ".join(names[:_MOST_NAMED]) + (" …" if len(names) > _MOST_NAMED else "")
        raise FileFault(
            f"{where} lacks columns that the mapping names ({named}); look at the names in its first line, "
            "at `delimiter` and at `header_rows`"
        )
    plan = SourcePlan(
        tuple(plans),
        tuple(place for place in skipped_by if place is not None),
        tuple(WithdrawnPlan(who, when, one.words) for who, when, one in told_by if who and when),
    )
    _check_undeclared(source, plan, header, where)
    return plan


def _bindings(rows: Rows, header: Header) -> tuple[tuple[Binding, ...], list[str]]:
    """Return the readings of a line and the names of the columns that are lacking.

    A combination without a column is left out where the cell is looked for, as long as every word has one somewhere.
    """
    attempts = [_attempt(rows, dict(zip(rows.each, words, strict=True)), header) for words in _combinations(rows)]
    bindings = tuple(found for _, found, _ in attempts if found is not None)
    if CELL not in rows.templates() and not rows.open_each:
        return bindings, [name for _, _, missing in attempts for name in missing]
    lacking = []
    for name in rows.each:
        used = {said[name] for said, found, _ in attempts if found is not None}
        wanted = rows.each[name] if name not in rows.open_each else ()
        lacking += [
            next(missing[0] for said, _, missing in attempts if said[name] == word)
            for word in wanted
            if word not in used
        ]
    if not bindings and not lacking:
        lacking = [rows.cell or next(iter(rows.when_any or rows.templates()), "")]
    return bindings, lacking


def _combinations(rows: Rows) -> Iterator[tuple[str, ...]]:
    return product(*(rows.each[name] for name in rows.each))


def _attempt(
    rows: Rows, said: Mapping[str, str], header: Header
) -> tuple[Mapping[str, str], Binding | None, list[str]]:
    """Look for every column of one combination; return the reading, or None and the names that are lacking."""
    places = {name: header.place(_spoken(name, rows, said)) for name in rows.templates()}
    likes = header.like([_spoken(name, rows, said) for name in rows.when_any])
    missing = [_spoken(name, rows, said) for name, place in places.items() if place is None]
    missing += [name for name, found in likes.items() if not found]
    if missing:
        return said, None, missing
    codes = {name: rows.each[name][word] for name, word in said.items()}
    known = {name: place for name, place in places.items() if place is not None}
    when_any = tuple(sorted({place for found in likes.values() for place in found}))
    return said, Binding(codes, known, when_any), []


def _spoken(template: str, rows: Rows, said: Mapping[str, str]) -> str:
    """A column name with the words of `each` in place."""
    if template == PIECE and rows.split is not None:
        return rows.split[0]
    text = rows.cell or "" if template == CELL else template
    return re.sub(r"\{([a-z0-9_]+)\}", lambda name: said.get(name[1], name[0]), text)


def _check_undeclared(source: ExportSource, plan: SourcePlan, header: Header, where: str) -> None:
    """A column that nothing reads is named by its place: the first line may be a record, with a name in it."""
    faults = []
    ignored = {place for places in header.like(source.ignore).values() for place in places}
    read_or_ignored = plan.places | ignored
    unread = [
        place for place, name in enumerate(header.names, start=1) if name.strip() and place not in read_or_ignored
    ]
    if unread:
        faults.append(
            f"{where} has columns that the mapping does not read (column {', '.join(map(header.label, unread))}); "
            "map them, or list their names under `ignore`"
        )
    twice = sorted(place for place in plan.places if fold(header.names[place - 1]) in header.repeated)
    if twice:
        faults.append(
            f"{where} has several columns of one name (column {', '.join(map(header.label, twice))} and a later one); "
            "rename one"
        )
    if faults:
        raise FileFault(*faults)
