"""The gate: every line against every row rule and screened for what may identify a person.

A rule is judged once for each distinct value, not once a line; a value of a closed set is not screened at all.

`held_<table>` lists the lines that fail, one row a line and rule; `rule_no` counts the checks of the table.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

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

    @cached_property
    def all(self) -> tuple[Rule | CrossRule | ScreenRule, ...]:
        """The checks by number."""
        last = () if self.withdrawn is None else (self.withdrawn,)
        return (*self.rows, self.key, *self.references, *self.screens, *last)

    def number(self, check: Rule | CrossRule | ScreenRule) -> int:
        """The number under which a failing line is listed."""
        return self.all.index(check)


@lru_cache(maxsize=256)
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


@dataclass(frozen=True)
class _Column:
    """A column, or columns that a rule reads together, of one table, and what their values are held to."""

    staged: Staged
    checks: Checks
    names: tuple[str, ...]
    rules: tuple[Rule, ...]
    screens: tuple[ScreenRule, ...]

    @property
    def fitting(self) -> list[tuple[int, str]]:
        """Number and condition of the shapes that a value keeping every rule may have."""
        return [(self.checks.number(rule), rule.fitting) for rule in self.screens if rule.fitting != "false"]

    @property
    def misfit(self) -> list[tuple[int, str]]:
        """Number and condition of the shapes that are looked for in a value breaking a rule."""
        return [(self.checks.number(rule), rule.misfit) for rule in self.screens if rule.misfit != "false"]

    @property
    def faults(self) -> frozenset[str]:
        """Conditions of a value that fails, in names that columns of other tables share."""
        conditions = [*(f"not ({rule.sql})" for rule in self.rules), *(condition for _, condition in self.fitting)]
        return frozenset(map(self.shared, conditions))

    def shared(self, condition: str) -> str:
        """A condition in the names that columns share."""
        for place, name in enumerate(self.names):
            condition = condition.replace(quoted(name), f"value_{place}")
        return condition

    @property
    def is_narrowed(self) -> bool:
        """Whether values that identify nobody are left out before anything is asked of them."""
        return bool(self.screens) and not self.rules

    @property
    def values(self) -> str:
        """The query of the values, under their shared names."""
        columns = ", ".join(f"{quoted(name)} as value_{number}" for number, name in enumerate(self.names))
        plain = " and ".join(sorted({rule.plain for rule in self.screens}))
        which = f" where not coalesce({plain}, true)" if self.is_narrowed else ""
        return f"select {columns} from {self.staged.view}{which}"


def hold_failing(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], checks: Mapping[str, Checks]) -> None:
    """List the lines that fail a row rule or look like they identify somebody; a blank passes.

    Columns held to the same, such as all coded identifiers, are looked at together, and one by one only where a value
    of them fails.
    """
    alike: dict[frozenset[str], list[_Column]] = {}
    for name, one in staged.items():
        con.execute(f"create temp table {held(one.table)} (rid bigint, rule_no integer)")
        for column in _columns(one, checks[name]):
            alike.setdefault(column.faults, []).append(column)
    _make_judged(con, max((len(one.names) for columns in alike.values() for one in columns), default=1))
    doubted: list[_Column] = []
    for faults, columns in alike.items():
        if faults and _find_failing(con, faults, columns):
            for column in columns:
                _judge(con, column, len(doubted))
                doubted.append(column)
    if doubted:
        con.execute("insert into failing by name select * exclude (broken), unnest(broken) as rule_no from judged")
        _screen(con, [column.fitting for column in doubted], doubted, "len(broken) = 0")
        _screen(con, [column.misfit for column in doubted], doubted, "len(broken) > 0")
    for place, column in enumerate(doubted):
        _hold_lines(con, column, place)


def _columns(staged: Staged, checks: Checks) -> Iterator[_Column]:
    by_names: dict[tuple[str, ...], list[Rule]] = {(name,): [] for name in staged.table.names}
    for rule in checks.rows:
        by_names.setdefault(rule.reads, []).append(rule)
    for names, rules in by_names.items():
        if names[0] in staged.supplied:
            screens = tuple(rule for rule in checks.screens if names == (rule.column,))
            yield _Column(staged, checks, names, tuple(rules), screens)


def _find_failing(con: duckdb.DuckDBPyConnection, faults: frozenset[str], columns: Sequence[_Column]) -> bool:
    """Fill `doubtful` with the values of like columns that fail; the patterns, slow to make ready, wait for a value."""
    values = " union all ".join(column.values for column in columns)
    # distinct values come in many small pieces, each of which would make the patterns ready anew
    if not _made(con, f"create or replace temp table seen as select distinct * from ({values})"):
        return False
    return _made(con, f"create or replace temp table doubtful as from seen where {' or '.join(sorted(faults))}") > 0


def _made(con: duckdb.DuckDBPyConnection, statement: str) -> int:
    """Make a table and return its rows."""
    ((rows,),) = con.execute(statement).fetchall()
    return int(rows)


def _make_judged(con: duckdb.DuckDBPyConnection, width: int) -> None:
    """Make `judged` and `failing`, of doubtful values by the place of their column, or `width` columns, among all."""
    values = "".join(f"value_{at} varchar, " for at in range(width))
    con.execute(f"create or replace temp table judged (place integer, {values}broken integer[])")
    con.execute(f"create or replace temp table failing (place integer, {values}rule_no integer)")


def _judge(con: duckdb.DuckDBPyConnection, column: _Column, place: int) -> None:
    """Add the doubtful values of a column to `judged`, each with the numbers of the rules that it breaks."""
    names = ", ".join(map(quoted, column.names))
    same = " and ".join(f"value_{at} is not distinct from {quoted(name)}" for at, name in enumerate(column.names))
    broken = _numbers([(column.checks.number(rule), f"not ({rule.sql})") for rule in column.rules])
    values = ", ".join(f"{quoted(name)} as value_{at}" for at, name in enumerate(column.names))
    con.execute(
        f"insert into judged by name select {place} as place, {values}, {broken} as broken "
        f"from (select distinct {names} from {column.staged.view} semi join doubtful on {same})"
    )


def _screen(
    con: duckdb.DuckDBPyConnection,
    shapes: Sequence[Sequence[tuple[int, str]]],
    columns: Sequence[_Column],
    where: str,
) -> None:
    """Add what the judged values of `where` look like to those that fail; `shapes` are those of each column.

    Columns with the same shapes are looked at together, for to make the patterns ready is what takes time.
    """
    alike: dict[tuple[str, ...], list[int]] = {}
    for place, column in enumerate(columns):
        if shapes[place]:
            alike.setdefault(tuple(column.shared(condition) for _, condition in shapes[place]), []).append(place)
    for conditions, places in alike.items():
        among = f"place in ({', '.join(map(str, places))})"
        numbers = ", ".join(
            f"({place}, {shape}, {number})" for place in places for shape, (number, _) in enumerate(shapes[place])
        )
        seen = f"select place, value_0, unnest({_numbers(list(enumerate(conditions)))}) as shape from judged"
        con.execute(
            f"insert into failing by name select place, value_0, rule_no from ({seen} where {where} and {among}) "
            f"join (values {numbers}) numbered(place, shape, rule_no) using (place, shape)"
        )


def _hold_lines(con: duckdb.DuckDBPyConnection, column: _Column, place: int) -> None:
    """List the lines of one column whose value fails, with the number of each rule."""
    same = " and ".join(f"s.{quoted(name)} is not distinct from f.value_{at}" for at, name in enumerate(column.names))
    con.execute(
        f"insert into {held(column.staged.table)} select rid, rule_no from {column.staged.view} s "
        f"join (from failing where place = {place}) f on {same}"
    )


def _numbers(checks: Sequence[tuple[int, str]]) -> str:
    """SQL for the list of the numbers whose condition is true."""
    cases = ", ".join(f"case when {condition} then {number} end" for number, condition in checks)
    return f"list_filter([{cases}]::integer[], lambda rule_no: rule_no is not null)"
