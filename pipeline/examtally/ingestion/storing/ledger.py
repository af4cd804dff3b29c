"""The account of a batch: how many lines of each file went where, and which lines broke which rule."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import duckdb

from examtally.contracts.records.rules import literal, quoted
from examtally.errors import ReconciliationError
from examtally.ingestion.checking.gate import Checks, column_of, held
from examtally.ingestion.reading.staging import Staged, StagedFile
from examtally.ingestion.storing.placing import conflicts, placed
from examtally.ingestion.storing.report import FileCount, FileLine, HeldBack, LineRun
from examtally.registry.workspace import have_rows

Stored = Mapping[tuple[str, int], int]
_SHOWN_LINES = 5
MOST_RUNS = 1000
"""So many runs of lines are kept of each rule for the report of a batch; the registry keeps every line."""
_PLACES = ("unchanged", "conflict", "waiting", "held_back")
_CONFLICT = "the content already stored under this key"
_CONFLICT_MEND = "find out which is right; --amend TABLE.COLUMN replaces what is stored"


def lines_of(file: StagedFile) -> str:
    """The condition on `rid` of the lines of one file."""
    return f"rid >= {file.first_rid} and rid < {file.first_rid + file.lines}"


def count_files(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], stored: Stored) -> tuple[FileCount, ...]:
    """Count the lines of each file by place; `stored` gives those stored, by table and number of the file.

    Raises ReconciliationError where a line is in no place or in two.
    """
    counts = tuple(
        _count_file(con, one, file, stored[name, file.file_no]) for name, one in staged.items() for file in one.files
    )
    wrong = [count for count in counts if not count.adds_up]
    if wrong:
        raise ReconciliationError(
            "\n".join(
                f"file {count.file_no} ({count.table}): {count.lines} lines, but stored {count.stored} + "
                f"unchanged {count.unchanged} + conflict {count.conflict} + waiting {count.waiting} + "
                f"held back {count.held_back}; nothing was stored"
                for count in wrong
            )
        )
    return counts


def _count_file(con: duckdb.DuckDBPyConnection, staged: Staged, file: StagedFile, stored: int) -> FileCount:
    table = staged.table
    rows = con.execute(
        f"select place, count(*) from {placed(table)} where {lines_of(file)} group by place "
        f"union all select 'held_back', count(distinct rid) from {held(table)} where {lines_of(file)}"
    ).fetchall()
    found = dict(rows)
    places = {place: int(found.get(place, 0)) for place in _PLACES}
    return FileCount(table.name, file.file_no, file.fingerprint, file.bytes, file.lines, stored, **places)


def list_broken(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], checks: Mapping[str, Checks]) -> None:
    """Make `broken` (table, rid, column, rule, kind): each line held back or in conflict, once for each rule."""
    con.execute(
        'create temp table broken ("table" varchar, part varchar, place bigint, "column" varchar, rule varchar, '
        "kind varchar, export_column integer, rid bigint)"
    )
    found = have_rows(con, [source(one.table) for source in (held, conflicts) for one in staged.values()])
    pairs = zip(staged, found[: len(staged)], found[len(staged) :], strict=True)
    broken = {name: staged[name] for name, *any_of in pairs if any(any_of)}
    if broken:
        _list_rules(con, broken, checks)
    for name, one in broken.items():
        failing = (
            f"select rid, \"column\", rule, 'held_back' as kind from {held(one.table)} "
            f'join rule_names using (rule_no) where "table" = {literal(name)} union all '
            f"select rid, \"column\", {literal(f'{name}.conflict')}, 'conflict' from {conflicts(one.table)}"
        )
        con.execute(_mapped_lines(name, failing) if one.is_mapped else _own_lines(name, failing))


def _list_rules(con: duckdb.DuckDBPyConnection, tables: Iterable[str], checks: Mapping[str, Checks]) -> None:
    """Make `rule_names`, of the checks by table and number."""
    con.execute('create temp table rule_names ("table" varchar, rule_no integer, "column" varchar, rule varchar)')
    names = [
        (name, number, column_of(check), check.id) for name in tables for number, check in enumerate(checks[name].all)
    ]
    con.execute(
        "insert into rule_names select unnest(?::varchar[]), unnest(?::integer[]), unnest(?::varchar[]), "
        "unnest(?::varchar[])",
        [list(part) for part in zip(*names, strict=True)],
    )


def _own_lines(table: str, failing: str) -> str:
    name = literal(table)
    return f'insert into broken select {name}, {name}, rid, "column", rule, kind, null, rid from ({failing})'


def _mapped_lines(table: str, failing: str) -> str:
    """A row made through a mapping is found by the line and the column of the export it comes from."""
    return (
        f'insert into broken select {literal(table)}, b.part, t.record, f."column", rule, kind, p.place, f.rid '
        f"from ({failing}) f join {quoted(f'text_{table}')} t on t.rowid = f.rid join binding_parts b using (binding) "
        'left join binding_places p on t.binding = p.binding and f."column" = p."column"'
    )


BROKEN_LINES = (
    'select b."table", l.file_no, b.place + l.shift as line, b."column", b.rule, b.kind from {broken} b '
    "asof join line_shift l on b.part = l.part and b.place >= l.first"
)


_TOLD = (
    "(select * from broken b where not (ends_with(rule, '.type') and exists (select 1 from broken s "
    'where s."table" = b."table" and s.rid = b.rid and s."column" = b."column" and contains(s.rule, \'.screen_\'))))'
)
"""What is told of `broken`: of a cell that may identify a person not also that it is no number."""


def summarize_broken(con: duckdb.DuckDBPyConnection, checks: Mapping[str, Checks]) -> tuple[HeldBack, ...]:
    """Return the broken rules, each with its count and its lines, in the order of tables and rules."""
    if not any(have_rows(con, ["broken"])):
        return ()
    runs = _runs(con)
    words = {check.id: (check.legal, check.mend) for one in checks.values() for check in one.all}
    order = {rule: place for place, rule in enumerate(words)}
    tables = list(checks)
    rows = con.execute(
        f'select "table", "column", rule, kind, count(*) from {_TOLD} group by all order by all'
    ).fetchall()
    rows.sort(key=lambda row: (tables.index(row[0]), order.get(row[2], len(order)), row[1]))
    return tuple(
        HeldBack(
            table,
            column,
            rule,
            kind,
            lines,
            _first(runs[table, column, rule]),
            *words.get(rule, (_CONFLICT, _CONFLICT_MEND)),
            tuple(runs[table, column, rule]),
        )
        for table, column, rule, kind, lines in rows
    )


def _runs(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str, str], list[LineRun]]:
    """The lines that broke each rule of a column, those that follow each other as one run, file by file."""
    lines = BROKEN_LINES.replace("b.kind from", "b.export_column from").format(broken=_TOLD)
    rule, place = '"table", "column", rule', "file_no, export_column"
    rows = con.execute(
        f"select {rule}, file_no, min(line) as first, max(line) as last, export_column from (select *, line - "
        f"row_number() over (partition by {rule}, {place} order by line) as island from (select distinct * from "
        f"({lines}))) group by {rule}, {place}, island "
        f"qualify row_number() over (partition by {rule} order by file_no, first, export_column) <= {MOST_RUNS} "
        "order by all"
    ).fetchall()
    runs: dict[tuple[str, str, str], list[LineRun]] = {}
    for table, column, name, *run in rows:
        runs.setdefault((table, column, name), []).append(LineRun(*run))
    return runs


def _first(runs: Sequence[LineRun]) -> tuple[FileLine, ...]:
    """The first lines of all runs, as many as are shown; no other run than the first so many holds one."""
    lines = [
        (run.file_no, line, run.column)
        for run in runs[:_SHOWN_LINES]
        for line in range(run.first, min(run.last, run.first + _SHOWN_LINES - 1) + 1)
    ]
    lines.sort(key=lambda one: (one[0], one[1], one[2] or 0))
    return tuple(FileLine(*one) for one in lines[:_SHOWN_LINES])
