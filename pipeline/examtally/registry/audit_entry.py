"""An entry in the log for what was done with the records without changing any."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import duckdb

from examtally.contracts.contract import load_contract
from examtally.contracts.records.pseudonym import load_pseudonym_rule
from examtally.contracts.records.rules import pseudonym_sql
from examtally.errors import ExamtallyError
from examtally.registry.audit_log import Entry, note
from examtally.registry.faults import writing_fault
from examtally.registry.lock_wait import LockWait
from examtally.registry.registry import reading, real_file, writing
from examtally.registry.workspace import Workspace, transaction


def coded(con: duckdb.DuckDBPyConnection, code: str | None, what: str = "the operator") -> str | None:
    """Return `code` in capitals, None where there is none; ExamtallyError where it is no coded identifier."""
    if code is None:
        return None
    rule = load_pseudonym_rule()
    ((found, is_code),) = con.execute(
        f"select code, {pseudonym_sql('code', rule)} from (select upper(trim(cast(? as varchar))) as code)", [code]
    ).fetchall()
    if not is_code:
        raise ExamtallyError(f"{what} must be {rule.words}")
    return str(found)


def note_use(
    registry: Path | str,
    action: str,
    *,
    operator: str | None = None,
    details: Mapping[str, object] | None = None,
    lock_wait: LockWait | None = None,
) -> Entry:
    """Append `action` to the log of the registry and return the entry; `details` are codes, hashes and counts.

    Raises RegistryError where there is no registry or it cannot be written.
    """
    registry, contract = real_file(registry), load_contract()
    with Workspace(registry.parent, lock_wait) as workspace:
        operator = coded(workspace.con, operator)
        try:
            with reading(workspace, registry, contract, any_form=True):
                pass  # there must be a registry: a note makes none
            with writing(workspace, registry, contract), transaction(workspace.con):
                return note(workspace.con, action, operator, details=details)
        except duckdb.Error as error:  # its words may quote a record
            raise writing_fault(error, registry) from None
