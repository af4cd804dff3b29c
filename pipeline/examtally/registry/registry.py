"""The registry file: opened for reading by analysis, held for writing only while a batch is stored."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

import duckdb

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.rules import literal
from examtally.errors import RegistryError
from examtally.files import private_files
from examtally.registry.audit_log import stored_sums
from examtally.registry.bookkeeping import check_form, migrate, stored_version
from examtally.registry.content import content_fingerprint, kept_fingerprint
from examtally.registry.faults import opening_fault, unreadable, writing_fault
from examtally.registry.lock_wait import LockWait
from examtally.registry.workspace import Workspace

_PACKED = 2  # a registry holds what text files of twice its size hold, or more
_HEADERS = 3 * 4096  # bytes before the first block of a DuckDB file


class Registry:
    """An open registry; `con` is an in-memory connection with the file attached as `reg`. A context manager."""

    def __init__(self, path: Path, workspace: Workspace) -> None:
        self.path = path
        self.con = workspace.con
        self._workspace = workspace

    def fingerprint(self) -> str:
        """Return the fingerprint of the records: equal for equal records, whatever the order or the batches."""
        contract = load_contract()
        return kept_fingerprint(self.con, stored_sums(self.con, contract)) or content_fingerprint(self.con, contract)

    def close(self) -> None:
        """Let go of the file; a second call does nothing."""
        self._workspace.close()

    def __enter__(self) -> Registry:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_registry(
    path: Path | str,
    *,
    read_only: bool = True,
    contract: Contract | None = None,
    lock_wait: LockWait | None = None,
) -> Registry:
    """Open the registry at `path`; for writing it is made where missing and brought to the present form.

    Raises RegistryError for a file that is missing, damaged, of another form or no registry, and RegistryLocked where
    another program holds it, after waiting as long as `lock_wait` says.

        with et.open_registry("registry.duckdb") as registry:
            registry.con.sql("select count(*) from reg.exams").pl()
    """
    path, contract = real_file(path), contract or load_contract()
    if not read_only and not path.exists():
        with Workspace(path.parent, lock_wait) as workspace, writing(workspace, path, contract):
            pass
    workspace = Workspace(path.parent, lock_wait)
    try:
        workspace.suit(_PACKED * path.stat().st_size if path.is_file() else 0)
        attach(workspace.con, path, contract, read_only=read_only, lock_wait=workspace.lock_wait)
    except BaseException:
        workspace.close()
        raise
    return Registry(path, workspace)


@contextmanager
def writing(workspace: Workspace, path: Path, contract: Contract) -> Iterator[None]:
    """Hold the registry at `path` for writing, attached as `reg` to the workspace.

    A registry that is not there yet is made inside the spill folder and takes its name only when the block has ended
    well, so that nothing half-made is ever found under that name.
    """
    check_place(path)
    is_new = not path.exists()
    target = workspace.folder / "new.duckdb" if is_new else path
    with private_files():
        attach(workspace.con, target, contract, read_only=False, lock_wait=workspace.lock_wait)
        try:
            yield
            _checkpoint(workspace.con, path, is_new=is_new)
        finally:
            workspace.con.execute("detach reg")
    if is_new:
        _publish(target, path)


@contextmanager
def reading(workspace: Workspace, path: Path, contract: Contract, *, any_form: bool = False) -> Iterator[None]:
    """Hold the registry at `path` for reading, attached as `reg`; with `any_form` an older form will do."""
    attach(workspace.con, path, contract, read_only=True, any_form=any_form, lock_wait=workspace.lock_wait)
    try:
        yield
    finally:
        workspace.con.execute("detach reg")


def attach(
    con: duckdb.DuckDBPyConnection,
    path: Path,
    contract: Contract,
    *,
    read_only: bool,
    any_form: bool = False,
    lock_wait: LockWait = LockWait(),  # noqa: B008  frozen
    name: str = "reg",
) -> None:
    """Attach the file at `path` as `reg`, checked (reading) or brought to the present form (writing).

    Under another `name` it is held, and nothing of it is looked at.
    """
    if path.is_dir():
        raise RegistryError(f"{path} is a folder; name the registry file in it")
    if read_only and not path.exists():
        raise RegistryError(f"{path}: there is no registry here; `examtally ingest` makes one")
    options = "type duckdb, read_only" if read_only else "type duckdb"  # by its type, whatever the name ends in

    def attempt() -> None:
        try:
            con.execute(f"attach {literal(str(path.absolute()))} as {name} ({options})")
        except duckdb.Error as error:
            raise opening_fault(error, path) from None

    lock_wait.wait_for(attempt)
    if name == "reg":
        _look(con, path, contract, read_only=read_only, any_form=any_form)


def _look(con: duckdb.DuckDBPyConnection, path: Path, contract: Contract, *, read_only: bool, any_form: bool) -> None:
    try:
        _check_length(con, path)
        if not read_only:
            migrate(con, contract)
        elif any_form:
            stored_version(con)
        else:
            check_form(con, contract)
    except BaseException as error:
        con.execute("detach reg")
        if isinstance(error, RegistryError):
            raise RegistryError(f"{path}: {error}") from None
        if isinstance(error, duckdb.Error):
            raise (unreadable(path) if read_only else writing_fault(error, path)) from None
        raise


def real_file(path: Path | str) -> Path:
    """Return the file that `path` speaks of, links followed: its log, and what takes its place, lie beside it.

    Raises RegistryError for links that lead nowhere, and for what is there and is neither a file nor a folder.
    """
    named = Path(path)
    try:
        found = named.resolve()
    except (OSError, RuntimeError):
        raise RegistryError(f"{named} is a link that leads to itself; name the registry file") from None
    if found.exists() and not (found.is_file() or found.is_dir()):
        raise RegistryError(f"{named} is a device or a pipe; name the registry file")
    return named if found == named.absolute() else found


def check_place(path: Path) -> None:
    """Raise RegistryError where no registry can lie at `path`, or where it has a second name on the disk.

    What is written under one name would stand, or stay erased records and all, under the other.
    """
    names = path.stat().st_nlink if path.is_file() else 1
    if names > 1:
        raise RegistryError(
            f"{path}: the file has {names} names on this disk (hard links), and the others would keep what is removed "
            "here; copy it to a new file, remove the other names, and use the copy; nothing was changed"
        )
    if not path.parent.is_dir():
        raise RegistryError(f"{path.parent}: there is no such folder; make it first, or name another")
    if not os.access(path.parent, os.W_OK):
        raise RegistryError(f"{path.parent} may not be written by this user; name another folder")


def _check_length(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """A file cut short can still be attached; it is told by the blocks in use (free ones at its end are given back)."""
    size, blocks = con.execute(
        "select block_size, used_blocks from pragma_database_size() where database_name = 'reg'"
    ).fetchall()[0]
    if path.stat().st_size < _HEADERS + size * blocks:
        raise RegistryError("the file has been cut short; restore it from a copy")


def _checkpoint(con: duckdb.DuckDBPyConnection, path: Path, *, is_new: bool) -> None:
    """Move what was committed from the log into the file; it is safe in the log where that fails."""
    try:
        con.execute("checkpoint reg")
    except duckdb.Error as error:
        if is_new:
            raise writing_fault(error, path) from None
        raise RegistryError(f"{path}: the batch is stored, but no room is left to tidy the file; free some") from None


def _publish(made: Path, path: Path) -> None:
    """Give a finished file its name, unless another program has taken it meanwhile."""
    try:
        try:
            os.link(made, path)
        except FileExistsError:
            raise
        except OSError:  # a file system without hard links
            if path.exists():
                raise FileExistsError from None
            made.replace(path)
        else:
            made.unlink()
    except FileExistsError:
        raise RegistryError(f"{path} was made by another program meanwhile; nothing was stored, repeat") from None
    flush_folder(path.parent)


def flush_folder(folder: Path) -> None:
    """Make sure that the names in a folder are on disk; Windows has no such call and needs none."""
    if sys.platform == "win32":
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
