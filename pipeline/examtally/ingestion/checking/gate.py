"""The gate: every line against every row rule and screened for what may identify a person.

A rule is judged once for each distinct value, not once a line; a value of a closed set is not screened at all.

`held_<table>` lists the lines that fail, one row a line and rule; `rule_no` counts the checks of the table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import (
    CrossRule,
    Rule,
    key_rule,
    quoted,
    reference_rules,
    rules_for,
    withdrawn_rule,
)
from examtally.contracts.records.screening import ScreenRule, screen_rules
from examtally.contracts.records.tables import JOINT, Table
from examtally.ingestion.reading.staging import Staged


@dataclass(frozen=True)
class Checks:
    """All checks of one table, numbered in this order: row rules, one line a key, references, screening, withdrawal."""

    rows: tuple[Rule, ...]
    key: CrossRule
    references: tuple[CrossRule, ...]
    screens: tuple[ScreenRule, ...]
    withdrawn: CrossRule | None

    @property
    def all(self) -> tuple[Rule | CrossRule | ScreenRule, ...]:
        """The checks by number."""
        last = () if self.withdrawn is None else (self.withdrawn,)
        return (*self.rows, self.key, *self.references, *self.screens, *last)

    def number(self, check: Rule | CrossRule | ScreenRule) -> int:
        """The number under which a failing line is listed."""
        return self.all.index(check)


def checks_for(contract: Contract, table: str) -> Checks:
    """Return every check that the lines of `table` are held to."""
    return Checks(
        rules_for(contract, table),
        key_rule(contract, table),
        reference_rules(contract, table),
        screen_rules(contract, table),
        withdrawn_rule(contract, table),
    )


def column_of(check: Rule | CrossRule | ScreenRule) -> str:
    """The column, or columns joined by +, that a check speaks of; the joint in a key goes without saying."""
    return "+".join(name for name in check.columns if name != JOINT) if isinstance(check, CrossRule) else check.column


def held(table: Table) -> str:
    """The temporary table of the failing lines of `table`."""
    return quoted(f"held_{table.name}")


Sound = dict[frozenset[str], str]
"""Conditions that all values of a column pass, and the query of these values."""


def hold_failing(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks, sound: Sound) -> None:
    """List the lines that fail a row rule or look like they identify somebody; a blank passes.

    What was found to be `sound` before, such as the exams of findings, is not judged again.
    """
    con.execute(f"create temp table {held(staged.table)} (rid bigint, rule_no integer)")
    by_columns: dict[tuple[str, ...], list[Rule]] = {(name,): [] for name in staged.table.names}
    for rule in checks.rows:
        by_columns.setdefault(rule.reads, []).append(rule)
    for columns, rules in by_columns.items():
        if columns[0] in staged.supplied:
            screens = [rule for rule in checks.screens if columns == (rule.column,)]
            _hold_by_value(con, staged, columns, rules, screens, checks, sound)


def _hold_by_value(
    con: duckdb.DuckDBPyConnection,
    staged: Staged,
    columns: Sequence[str],
    rules: Sequence[Rule],
    screens: Sequence[ScreenRule],
    checks: Checks,
    sound: Sound,
) -> None:
    names = ", ".join(map(quoted, columns))
    fitting = [(checks.number(rule), rule.fitting) for rule in screens if rule.fitting != "false"]
    faults = [*(f"not ({rule.sql})" for rule in rules), *(condition for _, condition in fitting)]
    seen = f"select distinct {names} from {staged.view}"
    if screens and not rules:
        seen += f" where not coalesce({' and '.join(sorted({rule.plain for rule in screens}))}, true)"
    if not faults or _all_pass(con, seen, frozenset(faults), sound):
        return
    broken = _numbers([(checks.number(rule), f"not ({rule.sql})") for rule in rules])
    con.execute(f"create or replace temp table judged as select {names}, {broken} as broken from ({seen})")
    con.execute(f"create or replace temp table failing as select {names}, unnest(broken) as rule_no from judged")
    _screen(con, names, fitting, "len(broken) = 0")
    _screen(con, names, [(checks.number(rule), rule.misfit) for rule in screens], "len(broken) > 0")
    same = " and ".join(f"s.{quoted(name)} is not distinct from f.{quoted(name)}" for name in columns)
    con.execute(f"insert into {held(staged.table)} select rid, rule_no from {staged.view} s join failing f on {same}")


def _all_pass(con: duckdb.DuckDBPyConnection, seen: str, faults: frozenset[str], sound: Sound) -> bool:
    """Whether no value of a column fails; the patterns, slow to make ready, are left where no value needs them."""
    others = f"({seen}) except ({sound[faults]})" if faults in sound else seen
    is_narrowed = faults in sound or " where " in seen
    if is_narrowed and not con.execute(f"select 1 from ({others}) limit 1").fetchall():
        return True
    if con.execute(f"select 1 from ({seen}) where {' or '.join(sorted(faults))} limit 1").fetchall():
        return False
    sound.setdefault(faults, seen)
    return True


def _screen(con: duckdb.DuckDBPyConnection, names: str, shapes: Sequence[tuple[int, str]], where: str) -> None:
    """Add what the judged values of `where` look like to those that fail."""
    if shapes:
        con.execute(f"insert into failing select {names}, unnest({_numbers(shapes)}) from judged where {where}")


def _numbers(checks: Sequence[tuple[int, str]]) -> str:
    """SQL for the list of the numbers whose condition is true."""
    cases = ", ".join(f"case when {condition} then {number} end" for number, condition in checks)
    return f"list_filter([{cases}]::integer[], lambda rule_no: rule_no is not null)"
