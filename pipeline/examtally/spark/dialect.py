"""The SQL of the package, written for DuckDB, in Spark's words: one table of what differs, and no query of its own.

Most is done by sqlglot, which knows both dialects. What it leaves is listed here: types without a sign, the number of
a row of a table, functions of other names. Names of tables become those of Spark's views.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import sqlglot
from sqlglot import exp

from examtally.errors import EngineError
from examtally.registry.table_set import RECORD_NUMBER

Columns = Callable[[str], Sequence[str]]
"""Says which columns a query of ours has, in order."""

_TYPES = {
    exp.DataType.Type.UTINYINT: "smallint",
    exp.DataType.Type.USMALLINT: "int",
    exp.DataType.Type.UINT: "bigint",
    exp.DataType.Type.UBIGINT: "bigint",
}
_LARGEST = 2**63 - 1
_DAY_FORMATS = {"%Y-%m-%d": "yyyy-MM-dd"}


def statements(query: str) -> list[exp.Expression]:
    """Parse a text of ours into its statements."""
    return [parsed for parsed in sqlglot.parse(query, read="duckdb") if parsed is not None]


def sources(statement: exp.Expression) -> set[str]:
    """Return the tables and views that a statement reads, `reg.` and all; its own common table expressions are none."""
    own = {each.alias for each in statement.find_all(exp.CTE)}
    named = (_name(table) for table in statement.find_all(exp.Table) if isinstance(table.this, exp.Identifier))
    return {name for name in named if name not in own}


def in_spark(query: exp.Expression, names: Mapping[str, str], columns: Columns) -> str:
    """Return a SELECT of ours as Spark's SQL; `names` are Spark's views by our names of tables.

    Raises EngineError, which names what has no equal there.
    """
    query = _by_position(query.copy(), columns)
    own = {each.alias for each in query.find_all(exp.CTE)}
    for cte in query.find_all(exp.CTE):
        cte.set("materialized", None)
    return str(query.transform(_replaced, names, own).sql(dialect="spark"))


def _name(table: exp.Table) -> str:
    return ".".join(part.name for part in table.parts)


def _by_position(query: exp.Expression, columns: Columns) -> exp.Expression:
    """UNION BY NAME by position: both sides list the columns of either, null where they have none."""
    for union in list(query.find_all(exp.Union)):
        if not union.args.get("by_name"):
            continue
        sides = {place: columns(union.args[place].sql(dialect="duckdb")) for place in ("this", "expression")}
        every = list(dict.fromkeys(name for own in sides.values() for name in own))
        for place, own in sides.items():
            listed = [_quoted(name) if name in own else exp.alias_(exp.null(), name, quoted=True) for name in every]
            union.set(place, exp.select(*listed).from_(union.args[place].subquery("side")))
        union.set("by_name", False)
    return query


def _quoted(name: str) -> exp.Column:
    return exp.column(exp.to_identifier(name, quoted=True))


def _replaced(node: exp.Expression, names: Mapping[str, str], own: set[str]) -> exp.Expression:
    """One node of a query as Spark has it; what is not in the table stays."""
    for kind, replace in _TABLE.items():
        if isinstance(node, kind):
            return replace(node)
    if isinstance(node, exp.Table) and isinstance(node.this, exp.Identifier):
        return _renamed(node, names, own)
    return node


def _renamed(table: exp.Table, names: Mapping[str, str], own: set[str]) -> exp.Expression:
    """Spark's name of a table, in place, so that what is joined to it is looked at too."""
    name = _name(table)
    if name in own or name not in names:
        return table
    if not table.args.get("alias"):
        table.set("alias", exp.TableAlias(this=exp.to_identifier(table.name, quoted=True)))
    table.set("this", exp.to_identifier(names[name]))
    table.set("db", None)
    table.set("catalog", None)
    return table


def _signed(kind: exp.DataType) -> exp.Expression:
    known = _TYPES.get(kind.this)
    return exp.DataType.build(known, dialect="spark") if known else kind


def _small_enough(literal: exp.Literal) -> exp.Expression:
    if not literal.is_string and literal.this.isdigit() and int(literal.this) > _LARGEST:
        raise EngineError("Spark holds at most 62 conditions in a catalogue; analyze from the registry instead")
    return literal


def _record_number(column: exp.Column) -> exp.Expression:
    return exp.column(RECORD_NUMBER, table=column.table or None) if column.name == "rowid" else column


def _numbered(window: exp.Window) -> exp.Expression:
    """Rows numbered in no order are numbered by what stands beside the number, so that a task done again agrees."""
    select = window.find_ancestor(exp.Select)
    if isinstance(window.this, exp.RowNumber) and not window.args.get("order") and select is not None:
        beside = [one.copy() for one in select.expressions if isinstance(one, exp.Column)]
        window.set("order", exp.Order(expressions=[exp.Ordered(this=one, nulls_first=False) for one in beside]))
    return window


def _day(call: exp.Anonymous) -> exp.Expression:
    if call.name.lower() != "try_strptime":
        return call
    text, form = call.expressions
    return exp.Anonymous(this="try_to_timestamp", expressions=[text, exp.Literal.string(_DAY_FORMATS[form.name])])


def _listed(test: exp.In) -> exp.Expression:
    """A row found among the rows of a query: Spark wants them as columns."""
    query = test.args.get("query")
    select = query.find(exp.Select) if query is not None else None
    if select is not None and len(select.expressions) == 1 and isinstance(select.expressions[0], exp.Tuple):
        select.set("expressions", select.expressions[0].expressions)
    return test


_TABLE: dict[type[exp.Expression], Callable[[Any], exp.Expression]] = {
    exp.DataType: _signed,
    exp.Literal: _small_enough,
    exp.Column: _record_number,
    exp.In: _listed,
    exp.Window: _numbered,
    exp.Anonymous: _day,
}
"""What differs beyond what sqlglot knows, by kind of expression."""
