"""A dirty export: clean record tables with planted faults, and an account of every line that is not stored.

Each fault has a line of its own. In the tables others refer to it comes as an added line nothing refers to, unless it
is declared to fall in place: then all that hangs on the line is accounted for too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import key_rule, reference_rules
from examtally.synthesis.faults import Fault, Faults, Place, Variant
from examtally.synthesis.features import Bools

PLACES = STORED, UNCHANGED, CONFLICT, WAITING, HELD_BACK = ("stored", "unchanged", "conflict", "waiting", "held_back")
_HEADER_LINES = 1

Line = dict[str, str | None]


@dataclass(frozen=True)
class Account:
    """Where a line goes: in an empty registry, and in one that has the clean records already (`after_records`).

    `rule` is the one it breaks or waits by, blank where there is none; `column` is the cell that was spoiled or
    changed, blank where it was another line's.
    """

    outcome: str
    after_records: str
    rule: str = ""
    column: str = ""


_PLACES = {"wait": WAITING, "hold": HELD_BACK}
_AGAIN = Account(UNCHANGED, UNCHANGED)


@dataclass(frozen=True)
class DirtyTable:
    """One table of the export: its lines as text, and by line of the file (line 1 the header) where the odd ones go."""

    lines: pl.DataFrame
    accounts: Mapping[int, Account]


@dataclass
class _FaultySheet:
    """A table being soiled: `clean` rows are not spoken for, `added` lines come after a row of the clean table."""

    rows: pl.DataFrame
    clean: Bools
    texts: dict[int, tuple[str, str | None]] = field(default_factory=dict)
    accounts: dict[int, Account] = field(default_factory=dict)
    added: list[tuple[int, Line, Account]] = field(default_factory=list)


class Soiling:
    """Plants faults in copies of clean record tables. `planted` collects what must be found nowhere afterwards."""

    def __init__(self, records: Mapping[str, pl.DataFrame], contract: Contract, random: np.random.Generator) -> None:
        self._contract, self._random = contract, random
        self._sheets = {
            name: _FaultySheet(frame.select(pl.all().cast(pl.String)), np.ones(len(frame), dtype=bool))
            for name, frame in records.items()
        }
        self._referred = {key.table for table in contract.tables.values() for key in table.foreign_keys}
        self._new_keys = 0
        self.planted: list[str] = []

    def soil(self, faults: Faults) -> dict[str, DirtyTable]:
        """Plant them: first what others hang on, then the rest; one that finds no clean line to fall on is left out."""
        for in_place in (True, False):
            for fault in faults.faults:
                if fault.place.in_place == in_place:
                    self._on_spare_line(fault.place, partial(self._spoil, fault))
            for variant in faults.differing:
                if variant.place.in_place == in_place:
                    self._on_spare_line(variant.place, partial(self._differ, variant))
        for variant in faults.changed:
            self._on_spare_line(variant.place, partial(self._change, variant))
        for table, times in faults.identical.items():
            for _ in range(times):
                self._on_spare_line(Place(table, "", {}, (), in_place=False), partial(self._repeat, table))
        return {name: _finished(sheet) for name, sheet in self._sheets.items()}

    def _spoil(self, fault: Fault, row: int) -> None:
        place, sheet = fault.place, self._sheets[fault.place.table]
        account = self._account(fault)
        if fault.identifying and fault.text is not None:
            self.planted.append(fault.text)
        if place.table in self._referred and not place.in_place:
            line = self._new_line(place.table, row, {place.column: fault.text})
            sheet.added.append((self._anywhere(sheet), line, account))
            return
        if place.in_place:
            self._hang(place.table, row)
        sheet.texts[row] = (place.column, fault.text)
        sheet.accounts[row] = account

    def _account(self, fault: Fault) -> Account:
        """What names something unknown under a key that is stored already says something else than what is stored."""
        place, table = fault.place, self._contract.tables[fault.place.table]
        outcome = WAITING if fault.waits else HELD_BACK
        has_key = place.table not in self._referred and place.column not in table.primary_key
        refers = fault.rule in {rule.id for rule in reference_rules(self._contract, place.table)}
        return Account(outcome, CONFLICT if has_key and refers else outcome, fault.rule, place.column)

    def _differ(self, twin: Variant, row: int) -> None:
        place, sheet = twin.place, self._sheets[twin.place.table]
        account = Account(HELD_BACK, HELD_BACK, key_rule(self._contract, place.table).id, place.column)
        line = self._line(place.table, row)
        if place.table in self._referred and not place.in_place:
            line = self._new_line(place.table, row, {})
            sheet.added.append((self._anywhere(sheet), line, account))
        else:
            sheet.accounts[row] = account
            self._hang(place.table, row)
        other = _other_text(twin, line)
        sheet.added.append((self._anywhere(sheet), line | {place.column: other}, account))

    def _change(self, variant: Variant, row: int) -> None:
        """Say something else that is legal too; what stands in place of a blank is no conflict, it fills it."""
        place, sheet = variant.place, self._sheets[variant.place.table]
        line = self._line(place.table, row)
        sheet.texts[row] = (place.column, _other_text(variant, line))
        sheet.accounts[row] = Account(STORED, STORED if line[place.column] is None else CONFLICT, column=place.column)

    def _repeat(self, table: str, row: int) -> None:
        sheet = self._sheets[table]
        sheet.added.append((self._anywhere(sheet, row), self._line(table, row), _AGAIN))

    def _on_spare_line(self, place: Place, plant: Callable[[int], None]) -> None:
        """Plant on a clean row that fits, spoken for from now on."""
        sheet = self._sheets[place.table]
        fits = [pl.col(column) == code for column, code in place.among.items()]
        fits += [pl.col(column).is_null() for column in place.blank]
        clean = sheet.clean
        if fits:
            clean = clean & sheet.rows.select(pl.all_horizontal(fits).fill_null(False)).to_series().to_numpy()
        free = np.flatnonzero(clean)
        if len(free):
            row = int(free[self._random.integers(len(free))])
            sheet.clean[row] = False
            plant(row)

    def _hang(self, table: str, row: int) -> None:
        """Account for what refers to a row that will not be stored, and for what refers to that."""
        key = self._contract.tables[table].primary_key
        line = self._line(table, row)
        for name, sheet in self._sheets.items():
            for rule in reference_rules(self._contract, name):
                if rule.target != table:
                    continue
                same = [pl.col(own) == line[target] for own, target in zip(rule.columns, key, strict=True)]
                hanging = sheet.rows.select(pl.all_horizontal(same).fill_null(False)).to_series().arg_true()
                for each in hanging.to_list():
                    sheet.clean[each] = False
                    sheet.accounts[each] = Account(_PLACES[rule.unknown], UNCHANGED, rule.id)
                    self._hang(name, each)

    def _line(self, table: str, row: int) -> Line:
        return self._sheets[table].rows.row(row, named=True)

    def _new_line(self, table: str, row: int, changes: Line) -> Line:
        """A copy of a row, changed, under a key of its own that is held back with it."""
        column = self._contract.tables[table].primary_key[0]
        line = self._line(table, row) | changes
        if column not in changes:
            self._new_keys += 1
            letters = (line[column] or "").partition("-")[0]  # a code like the others, or its form would be the fault
            line[column] = f"{letters}-{9_990_000 + self._new_keys}"
            self.planted.append(line[column] or "")
        return line

    def _anywhere(self, sheet: _FaultySheet, after: int = 0) -> int:
        return int(self._random.integers(after, len(sheet.rows)))


def _other_text(variant: Variant, line: Line) -> str:
    return next(text for text in variant.texts if text != line[variant.place.column])


def _finished(sheet: _FaultySheet) -> DirtyTable:
    """The lines in order, and the account by line number."""
    rows = sheet.rows
    for column in rows.columns:
        spoiled = {row: text for row, (where, text) in sheet.texts.items() if where == column}
        if spoiled:
            rows = rows.with_columns(rows[column].scatter(list(spoiled), list(spoiled.values())).alias(column))
    added = pl.DataFrame([line for _, line, _ in sheet.added], schema=rows.schema)
    after = np.concatenate([np.arange(len(rows)), [row for row, _, _ in sheet.added]]).astype(np.int64)
    order = np.argsort(after, kind="stable")
    accounts = {
        **sheet.accounts,
        **{len(rows) + n: account for n, (_, _, account) in enumerate(sheet.added)},
    }
    line_of = np.empty(len(order), dtype=np.int64)
    line_of[order] = np.arange(len(order)) + _HEADER_LINES + 1
    return DirtyTable(
        pl.concat([rows, added])[order],
        dict(sorted((int(line_of[place]), account) for place, account in accounts.items())),
    )
