"""One batch, one transaction: what was placed goes into the registry, is counted there, and committed or not at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, astuple, dataclass

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.ddl import BATCH_COLUMN, REPLACED_BY, typed_columns
from examtally.contracts.records.rules import literal, quoted
from examtally.contracts.records.tables import Table
from examtally.ingestion.checking.joints import fits_joint
from examtally.ingestion.checking.withdrawn import bury, drop_waiting
from examtally.ingestion.reading.staging import Staged
from examtally.ingestion.storing.invariants import check_invariants, row_counts
from examtally.ingestion.storing.ledger import BROKEN_LINES, count_files, lines_of
from examtally.ingestion.storing.placing import WAITING, arriving, listed, open_lines, placed, replacing
from examtally.ingestion.storing.report import Assumption, ExportCount, FileCount, IntakeCheck
from examtally.ingestion.storing.settling import merged
from examtally.registry.audit_log import note, seal
from examtally.registry.bookkeeping import waiting_tables
from examtally.registry.joints import keep_catalogues
from examtally.registry.workspace import have_rows, transaction
from examtally.resources import tool_version

_OF_LINE = {
    "examiner_id": "select rid, examiner_id from ({lines})",
    "exam_id": (
        "select s.rid, coalesce(stored.examiner_id, sent.examiner_id) as examiner_id from ({lines}) s "
        "left join reg.exams stored using (exam_id) left join exams_sent sent using (exam_id)"
    ),
}


def keep_broken(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], batch_no: int) -> None:
    """Keep the lines in `broken`, and their known examiner and site, by file and line."""
    if not any(have_rows(con, ["broken"])):
        return
    con.execute(
        f"insert into reg.held_back select {batch_no}, * from ({BROKEN_LINES.format(broken='broken')}) order by all"
    )
    _list_sent(con, staged)
    con.execute(
        "create or replace temp table known_examiners as select examiner_id, any_value(site_id) as site_id from "
        "(select examiner_id, site_id from reg.examiners union all select examiner_id, null from reg.exams) "
        "group by examiner_id"
    )
    for name, one in staged.items():
        column, own = _column(one.table), f'from broken where "table" = {literal(name)}'
        if column is not None:
            lines = f"select * from {one.view} where rid in (select rid {own})"
            con.execute(
                f'insert into reg.held_by select distinct {batch_no}, b."table", l.file_no, b.place + l.shift, '
                f"k.examiner_id, k.site_id from ({own}) b "
                f"join ({_OF_LINE[column].format(lines=lines)}) w using (rid) join known_examiners k "
                "using (examiner_id) asof join line_shift l on b.part = l.part and b.place >= l.first order by all"
            )


def _list_sent(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]) -> None:
    """The examiners of the exams of the batch, stored or not, where all lines of an exam name the same."""
    lines = staged["exams"].view if "exams" in staged else "reg.exams limit 0"
    con.execute(
        "create or replace temp table exams_sent as select exam_id, min(examiner_id) as examiner_id "
        f"from (select exam_id, examiner_id from {lines}) group by exam_id having count(distinct examiner_id) = 1"
    )


def _column(table: Table) -> str | None:
    return next((name for name in _OF_LINE if name in table.names), None)


Progress = Callable[[str], None]
_EXPORT_COLUMNS = ("batch_no", "file_no", "fingerprint", "bytes", "lines", "mapped", "skipped", "empty")


@dataclass(frozen=True)
class Account:
    """What is kept with a batch beside the counts of its files; `retries` is the batch it mends the held lines of."""

    operator: str | None
    intake: tuple[IntakeCheck, ...]
    exports: tuple[ExportCount, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    retries: int | None = None


@dataclass(frozen=True)
class Stored:
    """What a committed batch did: its number, the count of every file, and the waiting lines it released, by table.

    `amended` lines replace an earlier version, `filled` ones add to it. `seal` is the hash of its entry in the log.
    `withdrawn` counts those who withdrew with it.
    """

    batch_no: int
    files: tuple[FileCount, ...]
    released: dict[str, int]
    amended: dict[str, int]
    filled: dict[str, int]
    same_as: int | None
    seal: str
    withdrawn: int


def store(
    con: duckdb.DuckDBPyConnection,
    contract: Contract,
    staged: Mapping[str, Staged],
    account: Account,
    progress: Progress,
) -> Stored:
    """Store the placed lines in the attached registry and commit; any failure leaves the registry as it was."""
    progress("before begin")
    with transaction(con):
        progress("after begin")
        done = _write(con, contract, staged, account, progress)
        progress("before commit")
    progress("after commit")
    return done


def _write(
    con: duckdb.DuckDBPyConnection,
    contract: Contract,
    staged: Mapping[str, Staged],
    account: Account,
    progress: Progress,
) -> Stored:
    ((batch_no,),) = con.execute(
        "select coalesce(max(batch_no), 0) + 1 "
        "from (select batch_no from reg.batches union all select batch_no from reg.log)"
    ).fetchall()
    before = row_counts(con, contract)
    con.execute(
        "insert into reg.batches values (?, cast(now() at time zone 'UTC' as timestamp), ?, ?)",
        [batch_no, account.operator, tool_version()],
    )
    stored: dict[tuple[str, int], int] = {}
    replaced: dict[str, int] = {}
    amended, filled = count_replacing(con, staged)
    withdrawn = bury(con)
    waits = _waiting_among(con, (one.table for one in staged.values() if one.table in waiting_tables(contract)))
    for name, one in staged.items():
        replaces = name in amended or name in filled
        replaced[name] = _supersede(con, contract, one, batch_no) if replaces else 0
        progress(f"before insert {name}")
        stored |= _insert(con, one, batch_no, replaces=replaces, waits=name in waits)
        progress(f"after insert {name}")
    waiting = _with_waiting_lines(con, contract)
    touched = _touched(con, contract, batch_no, waiting, has_replaced=any(replaced.values()))
    dropped = {table.name: drop_waiting(con, table.name) for table in waiting}
    released = _release(con, contract, waiting)
    files = count_files(con, staged, stored)
    _keep_account(con, batch_no, files, released, account)
    keep_catalogues(con, batch_no, contract.joints.values())
    keep_broken(con, staged, batch_no)
    check_invariants(con, contract, staged, batch_no, touched, before, files, Counter(replaced) + Counter(dropped))
    if account.retries is not None:
        con.execute("insert into reg.retried values (?, ?)", [account.retries, batch_no])
        touched.add(account.retries)
    seal(con, contract, touched)
    counts = {"lines": sum(file.lines for file in files), "amended": sum(amended.values())}
    counts |= {"filled": sum(filled.values())} if filled else {}
    counts |= {"withdrawn": withdrawn} if withdrawn else {}
    action = "amend" if counts["amended"] else "ingest"
    entry = note(con, action, account.operator, batch_no=batch_no, details=counts)
    return Stored(batch_no, files, released, amended, filled, _same_files(con, batch_no), entry.hash, withdrawn)


def _same_files(con: duckdb.DuckDBPyConnection, batch_no: int) -> int | None:
    """The first batch that was made of files with the same bytes, whatever their names."""
    if batch_no == 1:
        return None
    prints = 'list_sort(list(distinct ("table", fingerprint)))'
    of_batch = f"select batch_no, {prints} as prints from reg.batch_tables group by batch_no"
    ((found,),) = con.execute(
        f"with b as ({of_batch}) select min(batch_no) from b where batch_no < ? "
        "and prints = (select prints from b where batch_no = ?)",
        [batch_no, batch_no],
    ).fetchall()
    return None if found is None else int(found)


def _touched(
    con: duckdb.DuckDBPyConnection, contract: Contract, batch_no: int, waiting: Iterable[Table], *, has_replaced: bool
) -> set[int]:
    """The batches whose rows this batch adds, replaces or releases."""
    parts = [
        f"select {BATCH_COLUMN} from reg.superseded.{quoted(name)} where {REPLACED_BY} = {batch_no}"
        for name in (contract.tables if has_replaced else ())
    ]
    parts += [
        f"select {BATCH_COLUMN} from reg.waiting.{quoted(table.name)} "
        f"where ({_has_come(contract, table)}) or exam_id in (from withdrawn_exams)"
        for table in waiting
    ]
    if not parts:
        return {batch_no}
    found = con.execute(f"select distinct * from ({' union all '.join(parts)})").fetchall()
    return {batch_no, *(number for (number,) in found)}


def _waiting_among(con: duckdb.DuckDBPyConnection, tables: Iterable[Table]) -> frozenset[str]:
    """The names of those tables of which a line of the batch waits."""
    named = {table.name: f"{placed(table)} where place = '{WAITING}'" for table in tables}
    found = have_rows(con, tuple(named.values()))
    return frozenset(name for name, waits in zip(named, found, strict=True) if waits)


def _with_waiting_lines(con: duckdb.DuckDBPyConnection, contract: Contract) -> tuple[Table, ...]:
    """The tables of which lines wait in the registry: what becomes of them is asked of no others."""
    tables = waiting_tables(contract)
    found = have_rows(con, [f"reg.waiting.{quoted(table.name)}" for table in tables])
    return tuple(table for table, waits in zip(tables, found, strict=True) if waits)


def _supersede(con: duckdb.DuckDBPyConnection, contract: Contract, staged: Staged, batch_no: int) -> int:
    """Move what the batch amends or fills to the superseded versions; return how many rows that were."""
    table = staged.table
    schemas = ("reg", "reg.waiting") if table in waiting_tables(contract) else ("reg",)
    keys = listed(table.primary_key)
    which = f"where ({keys}) in (select {keys} from ({replacing(table)}))"
    moved = 0
    for schema in schemas:
        name = f"{schema}.{quoted(table.name)}"
        moved += _rows(
            con,
            f"insert into reg.superseded.{quoted(table.name)} by name "
            f"select *, {batch_no} as {REPLACED_BY} from {name} {which}",
        )
        con.execute(f"delete from {name} {which}")
    return moved


def _insert(
    con: duckdb.DuckDBPyConnection, staged: Staged, batch_no: int, *, replaces: bool, waits: bool
) -> dict[tuple[str, int], int]:
    """Insert the lines of one table; return how many the database says it stored, by table and file.

    `replaces` says whether some are merged with what was stored, `waits` whether some wait for their exam.
    """
    table = staged.table
    rows_of = _merged_rows if replaces else _new_rows
    stored = {
        (table.name, file.file_no): _rows(
            con,
            f"insert into reg.{quoted(table.name)} by name "
            + rows_of(staged, batch_no, f"{open_lines(table)} and {lines_of(file)}"),
        )
        for file in staged.files
    }
    if waits:
        which = f"rid in (select rid from {placed(table)} where place = '{WAITING}')"
        con.execute(f"insert into reg.waiting.{quoted(table.name)} by name {rows_of(staged, batch_no, which)}")
    return stored


def _new_rows(staged: Staged, batch_no: int, which: str) -> str:
    """SELECT of the rows that the lines chosen by `which` become as they are."""
    new = f"{', '.join(typed_columns(staged.table))}, {batch_no} as {BATCH_COLUMN}"
    return f"select {new} from {staged.view} where {which}"


def _merged_rows(staged: Staged, batch_no: int, which: str) -> str:
    """SELECT of the rows that the lines chosen by `which` become: as they are, or merged with what was stored."""
    table = staged.table
    new = _new_rows(staged, batch_no, f"{which} and rid not in (select rid from {merged(table)})")
    return (
        f"{new} union all select {listed(table.names)}, {batch_no} as {BATCH_COLUMN} from {merged(table)} where {which}"
    )


def _release(con: duckdb.DuckDBPyConnection, contract: Contract, waiting: Iterable[Table]) -> dict[str, int]:
    """Move the waiting lines whose exam has come; they keep the number of the batch that brought them."""
    released = {}
    for table in waiting:
        name, has_come = quoted(table.name), _has_come(contract, table)
        released[table.name] = _rows(
            con, f"insert into reg.{name} by name select * from reg.waiting.{name} where {has_come}"
        )
        con.execute(f"delete from reg.waiting.{name} where {has_come}")
    return released


def _has_come(contract: Contract, table: Table) -> str:
    """The condition on waiting lines that their exam comes with this batch, and is of a joint that has their codes."""
    key = next(key for key in table.foreign_keys if key.unknown == "wait")
    came = f"{listed(key.columns)} in (from {arriving(contract.tables[key.table])})"
    return f"{came} and {fits_joint(contract, table)}"


def _keep_account(
    con: duckdb.DuckDBPyConnection,
    batch_no: int,
    files: tuple[FileCount, ...],
    released: Mapping[str, int],
    account: Account,
) -> None:
    _insert_rows(con, "batch_tables", [(batch_no, *astuple(file)) for file in files])
    _insert_rows(con, "released", [(batch_no, table, lines) for table, lines in released.items() if lines])
    _insert_rows(con, "intake_checks", [(batch_no, *astuple(one)) for one in account.intake])
    exports = [{**asdict(one), "batch_no": batch_no} for one in account.exports]
    _insert_rows(con, "batch_exports", [tuple(one[name] for name in _EXPORT_COLUMNS) for one in exports])
    _insert_rows(con, "assumptions", [(batch_no, *astuple(one)) for one in account.assumptions])


def _insert_rows(con: duckdb.DuckDBPyConnection, table: str, rows: list[tuple[object, ...]]) -> None:
    if rows:
        line = f"({', '.join('?' * len(rows[0]))})"
        values = [value for row in rows for value in row]
        con.execute(f"insert into reg.{table} values {', '.join([line] * len(rows))}", values)


def count_stored(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]) -> dict[tuple[str, int], int]:
    """Return how many lines of each file would be stored."""
    return {
        (one.table.name, file.file_no): _rows(
            con, f"select count(*) from {one.view} where {open_lines(one.table)} and {lines_of(file)}"
        )
        for one in staged.values()
        for file in one.files
    }


def count_replacing(
    con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]
) -> tuple[dict[str, int], dict[str, int]]:
    """Return how many lines of each table replace an earlier version, and how many only fill its blanks."""
    found: tuple[dict[str, int], dict[str, int]] = ({}, {})
    has_merged = have_rows(con, [merged(one.table) for one in staged.values()])
    for (name, one), has_rows in zip(staged.items(), has_merged, strict=True):
        if not has_rows:
            continue
        counted = f"select is_fill, count(*) from ({replacing(one.table)}) group by is_fill"
        for is_fill, lines in con.execute(counted).fetchall():
            found[is_fill][name] = lines
    return found


def _rows(con: duckdb.DuckDBPyConnection, statement: str) -> int:
    """Run an INSERT or a count and return the number of rows that the database reports."""
    ((rows,),) = con.execute(statement).fetchall()
    return int(rows)
