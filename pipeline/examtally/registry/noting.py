"""An entry in the log for what was done with the records without changing any."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import duckdb

from examtally.contracts.contract import load_contract
from examtally.registry.faults import writing_fault
from examtally.registry.journal import Entry, note
from examtally.registry.operators import coded
from examtally.registry.patience import Patience
from examtally.registry.registry import reading, writing
from examtally.registry.workspace import Workspace, transaction


def note_use(
    registry: Path | str,
    action: str,
    *,
    operator: str | None = None,
    details: Mapping[str, object] | None = None,
    patience: Patience | None = None,
) -> Entry:
    """Append `action` to the log of the registry and return the entry; `details` are codes, hashes and counts.

    Raises RegistryError where there is no registry or it cannot be written.
    """
    registry, contract = Path(registry), load_contract()
    with Workspace(registry.parent, patience) as workspace:
        operator = coded(workspace.con, operator)
        try:
            with reading(workspace, registry, contract, any_form=True):
                pass  # there must be a registry: a note makes none
            with writing(workspace, registry, contract), transaction(workspace.con):
                return note(workspace.con, action, operator, details=details)
        except duckdb.Error as error:  # its words may quote a record
            raise writing_fault(error, registry) from None
