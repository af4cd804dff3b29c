"""The gate: every line against every row rule. A rule is judged once for each distinct value, not once a line.

`held_<table>` lists the lines that fail, one row a line and rule; `rule_no` counts the checks of the table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.rules import CrossRule, Rule, key_rule, quoted, reference_rules, rules_for
from examtally.contracts.tables import Table
from examtally.ingestion.staging import Staged


@dataclass(frozen=True)
class Checks:
    """All checks of one table, numbered in this order: row rules, one line a key, references."""

    rows: tuple[Rule, ...]
    key: CrossRule
    references: tuple[CrossRule, ...]

    @property
    def all(self) -> tuple[Rule | CrossRule, ...]:
        """The checks by number."""
        return (*self.rows, self.key, *self.references)

    def number(self, check: Rule | CrossRule) -> int:
        """The number under which a failing line is listed."""
        return self.all.index(check)


def checks_for(contract: Contract, table: str) -> Checks:
    """Return every check that the lines of `table` are held to."""
    return Checks(rules_for(contract, table), key_rule(contract, table), reference_rules(contract, table))


def column_of(check: Rule | CrossRule) -> str:
    """The column, or columns joined by +, that a check speaks of."""
    return check.column if isinstance(check, Rule) else "+".join(check.columns)


def held(table: Table) -> str:
    """The temporary table of the failing lines of `table`."""
    return quoted(f"held_{table.name}")


def hold_failing(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks) -> None:
    """List the lines that fail a row rule; a column no file supplied is blank, and passes."""
    con.execute(f"create temp table {held(staged.table)} (rid bigint, rule_no integer)")
    by_columns: dict[tuple[str, ...], list[Rule]] = {}
    for rule in checks.rows:
        if rule.column in staged.supplied:
            by_columns.setdefault(_columns_read(staged.table, rule), []).append(rule)
    for columns, rules in by_columns.items():
        _hold_by_value(con, staged, columns, [(checks.number(rule), rule.sql) for rule in rules])


def _columns_read(table: Table, rule: Rule) -> tuple[str, ...]:
    depends = table.field(rule.column).depends
    return (rule.column, depends.column) if depends is not None and rule.kind == "depends" else (rule.column,)


def _hold_by_value(
    con: duckdb.DuckDBPyConnection, staged: Staged, columns: Sequence[str], rules: Sequence[tuple[int, str]]
) -> None:
    names = ", ".join(map(quoted, columns))
    con.execute(f"create or replace temp table seen as select distinct {names} from {staged.view}")
    failing = ", ".join(f"case when not ({sql}) then {number} end" for number, sql in rules)
    con.execute(
        f"create or replace temp table failing as select {names}, unnest(list_filter([{failing}], "
        "lambda rule_no: rule_no is not null)) as rule_no from seen"
    )
    if con.execute("select count(*) from failing").fetchall() == [(0,)]:
        return
    same = " and ".join(f"s.{quoted(name)} is not distinct from f.{quoted(name)}" for name in columns)
    con.execute(f"insert into {held(staged.table)} select rid, rule_no from {staged.view} s join failing f on {same}")
