"""From record files to a committed batch, and the same way without storing anything."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from examtally.contracts.contract import Contract, load_contract, registry_contract
from examtally.ingestion.checking.batchwide import check_against_registry, check_batch
from examtally.ingestion.checking.forms import hold_unformed, read_forms
from examtally.ingestion.checking.gate import checks_for, hold_failing
from examtally.ingestion.checking.hold_back_limit import (
    checked_limit,
    in_conflict,
    over_limit,
    refuse_over_limit,
)
from examtally.ingestion.checking.intake import examine
from examtally.ingestion.checking.joints import hold_of_stored, joints_of, show_joints
from examtally.ingestion.checking.keys import hold_differing
from examtally.ingestion.checking.withdrawn import hold_withdrawn
from examtally.ingestion.reading.sources import find_sources, give_workbooks, size_of
from examtally.ingestion.reading.staging import Staged, stage
from examtally.ingestion.storing.ledger import count_files, list_broken, summarize_broken
from examtally.ingestion.storing.placing import open_lines, place
from examtally.ingestion.storing.report import (
    Assumption,
    BatchReport,
    ExportCount,
    FileCount,
    HeldBack,
    IntakeCheck,
    table_counts,
)
from examtally.ingestion.storing.settling import Amendment
from examtally.ingestion.storing.storing import Account, Stored, count_replacing, count_stored, store
from examtally.registry.audit_entry import coded
from examtally.registry.bookkeeping import migrate
from examtally.registry.faults import writing_fault
from examtally.registry.joints import joints_held, own_catalogues
from examtally.registry.lock_wait import LockWait
from examtally.registry.registry import check_place, reading, real_file, writing
from examtally.registry.workspace import Workspace
from examtally.resources import tool_version

if TYPE_CHECKING:  # what only exports and workbooks need is imported where one comes
    from examtally.contracts.mapping.mapping import ExportMapping

Progress = Callable[[str], None]


def ingest(
    paths: Sequence[Path | str],
    registry: Path | str,
    *,
    mapping: Path | str | None = None,
    joint: str | None = None,
    catalogue: Path | str | None = None,
    operator: str | None = None,
    amend: bool | str | Sequence[str] = False,
    blank_is_a_correction: bool = False,
    allow_held: float | None = None,
    take_conflicts: bool = True,
    second_engine: bool = False,
    retries: int | None = None,
    lock_wait: LockWait | None = None,
    progress: Progress | None = None,
) -> BatchReport:
    """Store the record files under `paths` in the registry, which is made where missing; one batch, one transaction.

    With a `mapping` file the files are a clinic's own export; a workbook of ours needs none. `joint` is that of lines
    that name none: without it that of the group's own `catalogue` file, the only one of the registry, or the default.
    `operator` is a coded
    identifier of the person who sends the batch. A line whose key is stored fills what is blank there; what it says
    otherwise is a conflict. With `amend` it replaces what is stored, and the earlier version is kept: True for every
    table, or tables and columns ("findings", "participants.bmi"); a blank replaces a value only with
    `blank_is_a_correction`. `allow_held` is the share of lines that may be held
    back; without it that of the mapping, 0.05 where it says none, and any share of files in our own form.
    Without `take_conflicts` a batch with a line in conflict is refused as a whole. With `second_engine` another engine
    looks at every line too, for the intake report; it decides nothing, and takes several seconds.
    `retries` is the number of the batch whose held-back lines these files mend. `lock_wait` says how long to wait for a
    registry that another program holds. `progress` is told each step as it begins.
    Raises FileFault where a file cannot be read as what it claims to be, RegistryError where the registry cannot be
    written and ReconciliationError where the lines do not add up; in each case nothing is stored.

        et.ingest(["records"], "registry.duckdb", operator="OP-1")
    """
    registry = real_file(registry)
    check_place(registry)
    with Workspace(registry.parent, lock_wait) as workspace, _plain_faults(registry):
        workspace.suit(size_of([*paths, registry]))
        operator = coded(workspace.con, operator)
        held_joints, kept = _held_joints(workspace, registry)
        first = _first(joint or _joint_of(paths), catalogue, held_joints)
        contract = registry_contract(first, catalogue, kept)
        mapped, paths = _mapping(mapping, paths, contract)
        limit = checked_limit(allow_held, mapped)
        amendment = Amendment.read(amend, contract, with_blanks=blank_is_a_correction)
        batch = _Batch(
            workspace, contract, held_joints, paths, mapped, registry.parent, progress, second_engine=second_engine
        )
        with writing(workspace, registry, contract):
            held = batch.place(amendment)
            refuse_over_limit(over_limit(batch.con, batch.staged, batch.checks, held, limit))
            refuse_over_limit(None if take_conflicts else in_conflict(held))
            done = store(batch.con, batch.contract, batch.staged, batch.account(operator, retries), batch.progress)
            batch.progress("before checkpoint")
        batch.progress("after checkpoint")
    report = batch.report(done.batch_no, operator, done.files, held, _further(done))
    return replace(report, same_as=done.same_as, seal=done.seal, withdrawn=done.withdrawn)


def _further(done: Stored) -> dict[str, Mapping[str, int]]:
    return {"released": done.released, "amended": done.amended, "filled": done.filled}


def check(
    paths: Sequence[Path | str],
    registry: Path | str | None = None,
    *,
    mapping: Path | str | None = None,
    joint: str | None = None,
    catalogue: Path | str | None = None,
    amend: bool | str | Sequence[str] = False,
    blank_is_a_correction: bool = False,
    second_engine: bool = True,
    lock_wait: LockWait | None = None,
    progress: Progress | None = None,
) -> BatchReport:
    """Say what `ingest` would do with the record files, against `registry` or an empty one, and store nothing.

    With a mapping the report also holds the first rows of each table and the codes that could not be placed.

        et.check(["records"], "registry.duckdb").held_back
    """
    registry = None if registry is None else real_file(registry)
    beside = None if registry is None else registry.parent
    with Workspace(beside, lock_wait) as workspace, _plain_faults(registry or "check"):
        workspace.suit(size_of(paths if registry is None else [*paths, registry]))
        held_joints, kept = ((), {}) if registry is None else _held_joints(workspace, registry)
        first = _first(joint or _joint_of(paths), catalogue, held_joints)
        contract = registry_contract(first, catalogue, kept)
        amendment = Amendment.read(amend, contract, with_blanks=blank_is_a_correction)
        mapped, paths = _mapping(mapping, paths, contract)
        batch = _Batch(
            workspace, contract, held_joints, paths, mapped, beside or Path(), progress, second_engine=second_engine
        )
        with _to_check_against(workspace, registry, contract):
            held = batch.place(amendment)
            files = count_files(batch.con, batch.staged, count_stored(batch.con, batch.staged))
            limit = checked_limit(None, mapped)
            refused = over_limit(batch.con, batch.staged, batch.checks, held, limit)
            amended, filled = count_replacing(batch.con, batch.staged)
            further: dict[str, Mapping[str, int]] = {"released": {}, "amended": amended, "filled": filled}
            report = replace(batch.report(None, None, files, held, further), refused=refused)
            if mapped is not None:
                from examtally.ingestion.mapping.preview import list_unplaced, preview

                unplaced = list_unplaced(batch.con, batch.staged, batch.checks)
                report = replace(report, previews=preview(batch.con, batch.staged), unplaced=unplaced)
    return report


class _Batch:
    """Record files on their way: read, held to the gate and, where wanted, looked at again when made; then placed."""

    def __init__(
        self,
        workspace: Workspace,
        contract: Contract,
        held_joints: Collection[str],
        paths: Sequence[Path | str],
        mapping: ExportMapping | None,
        folder: Path,
        progress: Progress | None,
        *,
        second_engine: bool,
    ) -> None:
        self.con = con = workspace.con
        self._forms = read_forms(con, folder)
        self.progress = progress or _silent
        self._mapping = mapping
        self.contract = contract
        self.staged, self._exports, self._passed_over = self._stage(paths, workspace.folder)
        own = joints_of(con, self.staged, contract)
        self.contract = contract = contract.among({*held_joints, *own} or {contract.catalogue.joint})
        if len(contract.joints) > 1:
            show_joints(con, self.staged)
        self.checks = {name: checks_for(contract, name) for name in self.staged}
        self.progress("checking the lines")
        hold_failing(con, self.staged, self.checks)
        for name, staged in self.staged.items():
            hold_differing(con, staged, self.checks[name], self.staged.get("exams"))
        check_batch(con, self.staged)
        self.intake = tuple(self._examined()) if second_engine else ()
        self.assumptions: tuple[Assumption, ...] = ()

    def _stage(
        self, paths: Sequence[Path | str], folder: Path
    ) -> tuple[dict[str, Staged], tuple[ExportCount, ...], int]:
        """Read the files; return the staged tables, what became of exports, and the number of files passed over."""
        if self._mapping is None:
            sources, passed_over = find_sources(paths, self.contract)
            return stage(self.con, self.contract, sources, self.progress), (), passed_over
        from examtally.ingestion.mapping.exports import find_exports
        from examtally.ingestion.mapping.mapped import stage_mapped

        exports, passed_over = find_exports(paths, self._mapping)
        made = stage_mapped(self.con, self.contract, self._mapping, exports, folder, self.progress)
        return made.staged, made.exports, passed_over

    def _examined(self) -> Iterator[IntakeCheck]:
        for name, staged in self.staged.items():
            self.progress(f"checking {name} again with another engine")
            yield from examine(self.con, staged, self.checks[name])

    def place(self, amendment: Amendment) -> tuple[HeldBack, ...]:
        """Find the place of every line against the attached registry; return the rules that were broken."""
        self.progress("comparing with the registry")
        check_against_registry(self.con, self.staged)
        if len(self.contract.joints) > 1:
            hold_of_stored(self.con, self.staged, self.checks)
        hold_withdrawn(self.con, self.staged, self.checks)
        hold_unformed(self.con, self.staged, self.checks, self._forms)
        place(self.con, self.contract, self.staged, self.checks, amendment)
        self.assumptions = self._assumptions()
        list_broken(self.con, self.staged, self.checks)
        return summarize_broken(self.con, self.checks)

    def account(self, operator: str | None, retries: int | None) -> Account:
        """Return what is kept with the batch; every line has its place."""
        return Account(operator, self.intake, self._exports, self.assumptions, retries)

    def _assumptions(self) -> tuple[Assumption, ...]:
        if self._mapping is None:
            return ()
        from examtally.ingestion.mapping.mapped import count_assumptions

        stored = {name: open_lines(one.table) for name, one in self.staged.items()}
        return count_assumptions(self.con, self._mapping, stored)

    def report(
        self,
        batch_no: int | None,
        operator: str | None,
        files: tuple[FileCount, ...],
        held: tuple[HeldBack, ...],
        further: Mapping[str, Mapping[str, int]],
    ) -> BatchReport:
        """Return what became of the batch."""
        return BatchReport(
            batch_no=batch_no,
            operator=operator,
            tool_version=tool_version(),
            tables=table_counts(files, **further),
            files=files,
            held_back=held,
            intake=self.intake,
            passed_over=self._passed_over,
            exports=self._exports,
            assumptions=self.assumptions,
        )


def _mapping(
    path: Path | str | None, paths: Sequence[Path | str], contract: Contract
) -> tuple[ExportMapping | None, Sequence[Path | str]]:
    """The mapping that reads `paths`, and the paths to read: of a folder with workbooks, those."""
    if path is not None:
        from examtally.contracts.mapping.file import load_mapping

        return load_mapping(Path(path), contract), paths
    if not give_workbooks(paths):
        return None, paths
    from examtally.ingestion.reading.workbooks import mapping_of_workbooks

    return mapping_of_workbooks(paths, contract)


def _joint_of(paths: Sequence[Path | str]) -> str | None:
    """The joint that the workbooks among `paths` say they are of, None where they say none or several."""
    if not give_workbooks(paths):
        return None
    from examtally.ingestion.reading.workbooks import joint_of_workbooks

    return joint_of_workbooks(paths)


def _held_joints(workspace: Workspace, registry: Path) -> tuple[tuple[str, ...], dict[str, str]]:
    """The joints of the registry and the group's own catalogues that it keeps, by joint.

    A registry that is locked or damaged is told before the long work.
    """
    if not registry.exists():
        return (), {}
    with reading(workspace, registry, load_contract(), any_form=True):
        return joints_held(workspace.con), own_catalogues(workspace.con)


def _first(joint: str | None, catalogue: Path | str | None, held_joints: tuple[str, ...]) -> str | None:
    """The joint of lines that name none, where somebody says: the only one of the registry does, too."""
    return joint or (held_joints[0] if len(held_joints) == 1 and catalogue is None else None)


def _silent(_step: str) -> None:
    pass


@contextmanager
def _to_check_against(workspace: Workspace, registry: Path | str | None, contract: Contract) -> Iterator[None]:
    if registry is not None:
        with reading(workspace, Path(registry), contract):
            yield
    else:
        workspace.con.execute("attach ':memory:' as reg")
        migrate(workspace.con, contract)
        yield


@contextmanager
def _plain_faults(where: Path | str) -> Iterator[None]:
    """Whatever the database says may quote a record: say it in our own words."""
    try:
        yield
    except duckdb.Error as error:
        raise writing_fault(error, where) from None
