"""Exports brought through a mapping into staged tables, the same that files of our own form come to.

`text_<table>` also keeps where each made row comes from: `record` (the line of its export, from 0), `binding` (listed
in `binding_parts` and `binding_places`) and `assumed`. From here on the way of a row is that of any other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import ExportMapping, ExportSource, fold
from examtally.contracts.records.rules import in_list, literal, quoted
from examtally.contracts.records.tables import Table
from examtally.errors import FileFault
from examtally.ingestion.mapping.compiled import MADE, Compiler
from examtally.ingestion.mapping.export_text import Opened, load, open_export
from examtally.ingestion.mapping.exports import Export
from examtally.ingestion.mapping.plan import Binding, Plan, SourcePlan, WithdrawnPlan, plan_source
from examtally.ingestion.mapping.translate import FOLDED
from examtally.ingestion.reading.staging import Staged, StagedFile, make_line_shift, make_view
from examtally.ingestion.storing.report import Assumption, ExportCount

Progress = Callable[[str], None]


@dataclass(frozen=True)
class _Planned:
    """An export with what is read from it; `first_binding` holds the number of the first binding of each plan."""

    opened: Opened
    source_plan: SourcePlan
    first_binding: tuple[int, ...]

    @property
    def lines(self) -> str:
        """The view of its lines that are not skipped."""
        return quoted(f"lines_{self.opened.export.file_no}")

    def plans(self, table: Table) -> Iterator[tuple[Plan, int]]:
        """The plans that make rows of `table`, each with the number of its first binding."""
        for plan, first in zip(self.source_plan.plans, self.first_binding, strict=True):
            if plan.rows.table == table.name:
                yield plan, first


@dataclass(frozen=True)
class MappedTables:
    """The staged tables in loading order, and what became of the lines of every export."""

    staged: dict[str, Staged]
    exports: tuple[ExportCount, ...]


def stage_mapped(
    con: duckdb.DuckDBPyConnection,
    contract: Contract,
    mapping: ExportMapping,
    exports: Sequence[Export],
    folder: Path,
    progress: Progress,
) -> MappedTables:
    """Read every export and make the rows of every table; `folder` is private. Raises FileFault, one line a fault."""
    make_line_shift(con)
    con.execute("create temp table binding_parts (binding integer, part varchar)")
    con.execute('create temp table binding_places (binding integer, "column" varchar, place integer)')
    con.execute('create temp table unread ("table" varchar, column_name varchar, lines bigint)')
    planned = _plan_all(con, mapping, exports, folder, progress)
    for one in planned:
        progress(f"reading {one.opened.export.where}")
        load(con, one.opened, one.source_plan.places)
        _show_lines(con, one)
    list_withdrawing(con, [(one.lines, plan) for one in planned for plan in one.source_plan.withdrawn])
    staged = {}
    for table in contract.tables.values():
        if any(True for one in planned for _ in one.plans(table)):
            progress(f"mapping {table.name}")
            staged[table.name] = _make_table(con, contract, table, planned)
    return MappedTables(staged, tuple(_count(con, one, staged) for one in planned))


def list_withdrawing(con: duckdb.DuckDBPyConnection, told: Sequence[tuple[str, WithdrawnPlan]]) -> None:
    """Make `withdrawing`: participants of whom every line that speaks of it says that they have withdrawn."""
    con.execute("create or replace temp table withdrawing (participant_id varchar)")
    lines = [
        f"select upper(c{plan.participant}) as who, coalesce({FOLDED.format(text=f'c{plan.when}')} in "
        f"{in_list(plan.words)}, false) as is_so from {view} where c{plan.participant} is not null"
        for view, plan in told
    ]
    if lines:
        said = " union all ".join(lines)
        con.execute(
            f"insert into withdrawing select who from ({said}) group by who having bool_and(is_so) order by who"
        )


def count_assumptions(
    con: duckdb.DuckDBPyConnection, mapping: ExportMapping, stored: dict[str, str]
) -> tuple[Assumption, ...]:
    """Count the lines that rest on what was not written; `stored` gives for each table the condition on `rid`."""
    counted = []
    for table, assumption, column in (
        ("findings", "blank_negative", "maneuver"),
        ("references", "unlisted_absent", "modality"),
    ):
        used = [rows for rows in mapping.rows if rows.table == table and (rows.blank_negative or rows.unlisted_absent)]
        if used and table in stored:
            rows = con.execute(
                f"select {column}, count(*) from (select *, rowid as rid from {quoted(f'text_{table}')}) "
                f"where assumed and {stored[table]} group by {column} order by {column}"
            ).fetchall()
            counted += [Assumption(table, assumption, code, lines) for code, lines in rows]
    first = dict.fromkeys(rows.table for rows in mapping.rows if rows.repeats == "first" and rows.table in stored)
    for table in first:
        ((lines,),) = con.execute(
            f"select count(*) from (select rowid as rid from {quoted(f'text_{table}')}) where {stored[table]}"
        ).fetchall()
        counted.append(Assumption(table, "first_of_repeats", "all", lines))
    rows = con.execute(
        'select "table", column_name, sum(lines)::bigint from unread group by all having sum(lines) > 0 order by all'
    ).fetchall()
    counted += [Assumption(table, "unreadable_blank", column, lines) for table, column, lines in rows]
    return tuple(counted)


def _plan_all(
    con: duckdb.DuckDBPyConnection, mapping: ExportMapping, exports: Sequence[Export], folder: Path, progress: Progress
) -> list[_Planned]:
    faults: list[str] = []
    planned = []
    bindings = 0
    for export in exports:
        progress(f"looking at {export.where}")
        try:
            opened = open_export(con, export, folder)
            entries = tuple(rows for rows in mapping.rows if rows.source == export.source.name)
            withdrawn = mapping.withdrawn_by(export.source.name)
            plan = plan_source(export.source, entries, withdrawn, opened.header, export.where)
        except FileFault as fault:
            faults += fault.lines
            continue
        first = []
        for one in plan.plans:
            first.append(bindings)
            _keep_bindings(con, opened, one, bindings)
            bindings += 2 * len(one.bindings)  # the second half is for what readings leave unlisted
        planned.append(_Planned(opened, plan, tuple(first)))
    if faults:
        raise FileFault(*faults)
    return planned


def _keep_bindings(con: duckdb.DuckDBPyConnection, opened: Opened, plan: Plan, first: int) -> None:
    numbers = range(first, first + 2 * len(plan.bindings))
    con.executemany("insert into binding_parts values (?, ?)", [(number, opened.export.part) for number in numbers])
    places = [
        (first + at, name, opened.column(place))
        for at, binding in enumerate(plan.bindings)
        for name, place in _blamed(plan, binding)
    ]
    if places:
        con.executemany("insert into binding_places values (?, ?, ?)", places)


def _blamed(plan: Plan, binding: Binding) -> Iterator[tuple[str, int]]:
    """The one column of the export that each column of the table is read from."""
    for name, value in plan.rows.columns.items():
        column = getattr(value, "column", None)
        if column is not None:
            yield name, binding.places[column]


def _show_lines(con: duckdb.DuckDBPyConnection, one: _Planned) -> None:
    kept = kept_lines(one.opened.export.source, one.source_plan)
    con.execute(f"create temp view {one.lines} as select rowid as record, * from {one.opened.table} where {kept}")


def kept_lines(source: ExportSource, plan: SourcePlan) -> str:
    """Return the condition on the lines of an export that are not skipped."""
    conditions = []
    for skip, place in zip(source.skip, plan.skipped_by, strict=True):
        text = f"lower(c{place})"
        conditions += [f"c{place} is null"] if skip.blank else []
        conditions += [f"{text} = {literal(fold(word))}" for word in skip.equals]
        conditions += [f"starts_with({text}, {literal(fold(word))})" for word in skip.begins]
    return f"not coalesce({' or '.join(conditions)}, false)" if conditions else "true"


def _make_table(
    con: duckdb.DuckDBPyConnection, contract: Contract, table: Table, planned: Sequence[_Planned]
) -> Staged:
    plans = [plan for one in planned for plan, _ in one.plans(table)]
    supplied = frozenset(name for plan in plans for name in plan.rows.columns)
    columns = ", ".join(f"{quoted(name)} varchar" for name in table.names if name in supplied)
    text = quoted(f"text_{table.name}")
    con.execute(f"create temp table {text} ({columns}, record integer, binding integer, assumed boolean)")
    files = []
    for one in planned:
        before = _rows(con, text)
        is_read = False
        for plan, first in one.plans(table):
            is_read = True
            comma = one.opened.export.source.decimal_comma
            compiler = Compiler(contract, table, plan, one.lines, comma, first)
            _insert(con, text, tuple(plan.rows.columns), compiler.select())
            unread = compiler.unread()
            if unread is not None:
                con.execute(f"insert into unread select {literal(table.name)}, * from ({unread})")
            if plan.rows.unlisted_absent:
                names = [name for name in plan.rows.columns if name not in ("severity", "pattern")]
                _insert(con, text, names, compiler.unlisted(text))
        if is_read:
            opened = one.opened
            made = _rows(con, text) - before
            files.append(StagedFile(opened.export.file_no, opened.fingerprint, opened.bytes, made, before))
    make_view(con, table, supplied)
    return Staged(table, supplied, tuple(files), is_mapped=True)


def _insert(con: duckdb.DuckDBPyConnection, text: str, columns: Sequence[str], query: str) -> None:
    names = ", ".join([*map(quoted, columns), *MADE])
    con.execute(f"insert into {text} by name select {names} from ({query})")


def _rows(con: duckdb.DuckDBPyConnection, table: str) -> int:
    ((rows,),) = con.execute(f"select count(*) from {table}").fetchall()
    return int(rows)


def _count(con: duckdb.DuckDBPyConnection, one: _Planned, staged: dict[str, Staged]) -> ExportCount:
    """What became of the lines of one export."""
    opened, part = one.opened, literal(one.opened.export.part)
    own = f"select binding from binding_parts where part = {part}"
    made = " union ".join(f"select record from {quoted(f'text_{name}')} where binding in ({own})" for name in staged)
    told = [f"select record from {one.lines} where c{plan.when} is not null" for plan in one.source_plan.withdrawn]
    mapped = _rows(con, f"({' union '.join([*([made] if made else []), *told])})")
    kept = _rows(con, one.lines)
    lines = opened.lines.records
    return ExportCount(
        file_no=opened.export.file_no,
        source=opened.export.source.name,
        fingerprint=opened.fingerprint,
        bytes=opened.bytes,
        lines=lines,
        mapped=mapped,
        skipped=lines - kept,
        empty=kept - mapped,
        sheet=opened.sheet_name,
    )
