"""The last batch taken back: its lines go, what it replaced and released is as before, and the file is written anew."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.ddl import BATCH_COLUMN, REPLACED_BY
from examtally.contracts.records.rules import quoted
from examtally.contracts.records.tables import Table
from examtally.errors import RegistryError
from examtally.registry.audit_entry import coded
from examtally.registry.audit_log import note, seal
from examtally.registry.bookkeeping import waiting_tables
from examtally.registry.faults import writing_fault
from examtally.registry.lock_wait import LockWait
from examtally.registry.registry import real_file
from examtally.registry.rewriting import rewriting
from examtally.registry.workspace import Workspace, transaction

Progress = Callable[[str], None]
_KEPT_BY_BATCH = (
    *("batches", "batch_tables", "batch_exports", "released", "held_back", "held_by", "intake_checks", "assumptions"),
    *("erased", "retried", "catalogues"),
)


@dataclass(frozen=True)
class Undone:
    """What was taken back: the batch, its rows by table, the earlier versions that stand again."""

    batch_no: int
    removed: Mapping[str, int]
    restored: Mapping[str, int]


def undo(
    registry: Path | str,
    *,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Progress | None = None,
) -> Undone:
    """Take the last batch of the registry back; RegistryError where there is none or the file cannot be written."""
    registry, contract, say = real_file(registry), load_contract(), progress or (lambda _step: None)
    with Workspace(registry.parent, lock_wait) as workspace:
        operator = coded(workspace.con, operator)
        try:
            with rewriting(workspace, registry, contract, say):
                return _undo(workspace.con, registry, contract, operator, say)
        except duckdb.Error as error:  # its words may quote a record
            raise writing_fault(error, registry) from None


def _undo(
    con: duckdb.DuckDBPyConnection, path: Path, contract: Contract, operator: str | None, say: Progress
) -> Undone:
    ((batch_no,),) = con.execute("select max(batch_no) from reg.batches").fetchall()
    if batch_no is None:
        raise RegistryError(f"{path}: there is no batch to take back")
    waiting = waiting_tables(contract)
    say("before begin")
    with transaction(con):
        for table in waiting:
            _wait_again(con, table, batch_no)
        removed = {
            table.name: _remove(con, table, batch_no, waits=table in waiting) for table in contract.tables.values()
        }
        say("after remove")
        restored = {
            table.name: _restore(con, table, batch_no, waits=table in waiting) for table in contract.tables.values()
        }
        for name in _KEPT_BY_BATCH:
            con.execute(f"delete from reg.{name} where batch_no = {batch_no}")
        con.execute(f"delete from reg.retried where by_batch = {batch_no}")
        seal(con, contract)
        removed, restored = ({name: rows for name, rows in one.items() if rows} for one in (removed, restored))
        note(con, "undo", operator, batch_no=batch_no, details={"removed": removed, "restored": restored})
        say("before commit")
    say("after commit")
    return Undone(batch_no, removed, restored)


def _wait_again(con: duckdb.DuckDBPyConnection, table: Table, batch_no: int) -> None:
    """Lines that this batch released came before it, and their exam came with it."""
    name = quoted(table.name)
    released = (
        f"{BATCH_COLUMN} < {batch_no} and exam_id in (select exam_id from reg.exams where {BATCH_COLUMN} = {batch_no} "
        f"and exam_id not in (select exam_id from reg.superseded.exams where {REPLACED_BY} = {batch_no}))"
    )
    con.execute(f"insert into reg.waiting.{name} by name select * from reg.{name} where {released}")
    con.execute(f"delete from reg.{name} where {released}")


def _remove(con: duckdb.DuckDBPyConnection, table: Table, batch_no: int, *, waits: bool) -> int:
    schemas = ("reg", "reg.waiting") if waits else ("reg",)
    counts = [
        con.execute(f"delete from {schema}.{quoted(table.name)} where {BATCH_COLUMN} = {batch_no}").fetchall()
        for schema in schemas
    ]
    return sum(int(rows) for ((rows,),) in counts)


def _restore(con: duckdb.DuckDBPyConnection, table: Table, batch_no: int, *, waits: bool) -> int:
    name = quoted(table.name)
    which = f"from reg.superseded.{name} where {REPLACED_BY} = {batch_no}"
    is_known = "exam_id in (select exam_id from reg.exams)"
    places = {"reg": is_known, "reg.waiting": f"not ({is_known})"} if waits else {"reg": "true"}
    counts = [
        con.execute(
            f"insert into {schema}.{name} by name select * exclude ({REPLACED_BY}) {which} and {condition}"
        ).fetchall()
        for schema, condition in places.items()
    ]
    con.execute(f"delete {which}")
    return sum(int(rows) for ((rows,),) in counts)
