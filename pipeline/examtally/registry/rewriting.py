"""A registry changed by writing it anew: what was taken out is in no page of the file that takes its place.

The change is made in a working copy, which is then copied table by table into a fresh file; that file is flushed to
disk and takes the registry's name in one step. Until then the registry is as it was, whatever happens.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import literal
from examtally.errors import RegistryError
from examtally.files import private_files
from examtally.registry.faults import writing_fault
from examtally.registry.registry import attach, check_place, flush_folder
from examtally.registry.workspace import Workspace


@contextmanager
def rewriting(workspace: Workspace, path: Path, contract: Contract, progress: Callable[[str], None]) -> Iterator[None]:
    """Hold the registry at `path`; give a copy of it as `reg` that takes its place when the block has ended well."""
    check_place(path)
    if not path.exists():
        raise RegistryError(f"{path}: there is no registry here; `examtally ingest` makes one")
    con = workspace.con
    work, fresh = workspace.folder / "work.duckdb", workspace.folder / "fresh.duckdb"
    with private_files():
        attach(con, path, contract, read_only=False, lock_wait=workspace.lock_wait)
        con.execute("checkpoint reg; detach reg")
        attach(con, path, contract, read_only=False, lock_wait=workspace.lock_wait, name="original")
        try:
            _copy(con, "original", "reg", work, path)
            progress("before change")
            yield
            progress("after change")
            _copy(con, "reg", "fresh", fresh, path)
            con.execute("detach fresh; detach reg")
            work.unlink()
            _flush(fresh)
            if path.with_name(f"{path.name}.wal").exists():
                raise RegistryError(f"{path}: another program has written to it meanwhile; nothing was changed, repeat")
            progress("before replace")
            _take_place(fresh, path)
            flush_folder(path.parent)
            progress("after replace")
        finally:
            _let_go(con)


def _copy(con: duckdb.DuckDBPyConnection, source: str, target: str, file: Path, path: Path) -> None:
    try:
        con.execute(f"attach {literal(str(file.absolute()))} as {target} (type duckdb)")
        con.execute(f"copy from database {source} to {target}; checkpoint {target}")
    except duckdb.Error as error:
        raise writing_fault(error, path) from None


def _take_place(fresh: Path, path: Path) -> None:
    try:
        fresh.replace(path)
    except OSError as error:  # the file is mounted by itself, or is kept from being replaced
        raise RegistryError(
            f"{path} cannot be replaced by a file without these records ({error.strerror}); nothing was changed"
        ) from None


def _flush(file: Path) -> None:
    with file.open("rb") as stream:
        os.fsync(stream.fileno())


def _let_go(con: duckdb.DuckDBPyConnection) -> None:
    names = {name for (name,) in con.execute("select database_name from duckdb_databases()").fetchall()}
    for name in ("fresh", "reg", "original"):
        if name in names:
            con.execute(f"detach {name}")
