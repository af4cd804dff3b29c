"""What a mapping makes of an export, for the person who writes it: first rows that pass, and codes without a place.

This is the one place where text of an export is shown, and only short code-like text: anything that may be a name, a
number of a person or a sentence is counted and not shown.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import duckdb

from examtally.contracts.records.rules import Rule, quoted
from examtally.contracts.records.screening import shape_sql
from examtally.ingestion.checking.gate import Checks, held
from examtally.ingestion.reading.staging import Staged
from examtally.ingestion.storing.placing import open_lines
from examtally.ingestion.storing.report import Preview, Unplaced

MOST_ROWS = 10
LONGEST_CODE = 12
MOST_CODES = 20
_OFTEN = 3
_KINDS = ("enum", "type")


def preview(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]) -> tuple[Preview, ...]:
    """Return the first rows of every table that would be stored, the supplied columns only."""
    shown = []
    for name, one in staged.items():
        columns = tuple(column for column in one.table.names if column in one.supplied)
        cells = ", ".join(f"coalesce({quoted(column)}, '')" for column in columns)
        rows = con.execute(
            f"select {cells} from {one.view} where {open_lines(one.table)} order by rid limit {MOST_ROWS}"
        ).fetchall()
        shown.append(Preview(name, columns, tuple(tuple(map(str, row)) for row in rows)))
    return tuple(shown)


def list_unplaced(
    con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], checks: Mapping[str, Checks]
) -> tuple[Unplaced, ...]:
    """Return every text that is no code or number of its column, most frequent first within a column."""
    found: list[Unplaced] = []
    for name, one in staged.items():
        broken = {number for (number,) in con.execute(f"select distinct rule_no from {held(one.table)}").fetchall()}
        for rule in checks[name].rows:
            is_told = isinstance(rule, Rule) and rule.kind in _KINDS and rule.column in one.supplied
            if is_told and checks[name].number(rule) in broken:
                shape = shape_sql(quoted(rule.column), ("any", "coded"))
                rows = con.execute(
                    f"select {quoted(rule.column)} as value, count(*) as lines, any_value({shape}) is null as is_plain "
                    f"from {one.view} "
                    f"where rid in (select rid from {held(one.table)} where rule_no = {checks[name].number(rule)}) "
                    "group by value order by lines desc, value"
                ).fetchall()
                found += _shown(name, rule.column, rows)
    return tuple(found)


def _shown(table: str, column: str, rows: list[tuple[str, int, bool]]) -> list[Unplaced]:
    is_closed = len(rows) <= MOST_CODES
    codes = [(value, lines) for value, lines, is_plain in rows if is_closed and is_plain and is_code_like(value, lines)]
    shown = {value for value, _ in codes}
    others = [lines for value, lines, _ in rows if value not in shown]
    listed = [Unplaced(table, column, value, 1, lines) for value, lines in codes]
    return [*listed, Unplaced(table, column, None, len(others), sum(others))] if others else listed


def is_code_like(value: str, lines: int) -> bool:
    """Whether a text may be shown: short, no run of three digits, no date or address.

    What is shaped as a name is shown only where it stands often.
    """
    if len(value) > LONGEST_CODE or re.search(r"\d{3}|@|\d[-./]\d", value) or not value.isprintable():
        return False
    is_name_like = re.search(r"[^\W\d_]{4}", value) is not None and value[:1].isupper()
    return lines >= _OFTEN or not is_name_like
