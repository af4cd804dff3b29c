"""The in-memory database every stage works in; a registry is attached to it as `reg` for as long as needed."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

import duckdb

from examtally.registry.lock_wait import LockWait

if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def own(path: Path) -> int:
    """Lock `path`, made where missing, and return the descriptor that holds the lock until it is closed.

    Raises OSError where another process holds it or the folder is gone.
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _lock(descriptor)
    except OSError:
        os.close(descriptor)
        raise
    return descriptor


_PREFIX = ".examtally-spill-"
_OWNER = "owner"


class SpillFolder:
    """A folder of mode 0700 in `parent`, or in the system's temporary folder where `parent` cannot be written."""

    def __init__(self, parent: Path | None) -> None:
        place = parent if parent is not None and os.access(parent, os.W_OK) else Path(tempfile.gettempdir())
        remove_abandoned(place)
        self.path, descriptor = _claim(place)
        self.close = weakref.finalize(self, _remove, self.path, descriptor)


def remove_abandoned(parent: Path) -> int:
    """Remove the spill folders in `parent` whose process is gone; return how many there were."""
    removed = 0
    for folder in parent.glob(f"{_PREFIX}*"):
        try:
            descriptor = own(folder / _OWNER)
        except OSError:
            continue
        _remove(folder, descriptor)
        removed += 1
    return removed


def _claim(parent: Path) -> tuple[Path, int]:
    """Make and lock a folder; another process may take it for abandoned before the lock is held, so look again."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=parent))
        try:
            descriptor = own(folder / _OWNER)
        except OSError:
            continue
        if (folder / _OWNER).exists():
            return folder, descriptor
        os.close(descriptor)


def _remove(folder: Path, descriptor: int) -> None:
    """Remove a folder while its lock is held, and what a system that keeps open files leaves of it after."""
    shutil.rmtree(folder, ignore_errors=True)
    os.close(descriptor)
    shutil.rmtree(folder, ignore_errors=True)


MEMORY_LIMIT = "2GB"


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """All of the block is committed at its end, or nothing of it."""
    con.execute("begin")
    try:
        yield
        con.execute("commit")
    except BaseException:
        with suppress(duckdb.TransactionException):  # a commit that fails has ended the transaction
            con.execute("rollback")
        raise


class Workspace:
    """An in-memory DuckDB connection with its private spill folder; a context manager."""

    def __init__(self, beside: Path | None = None, lock_wait: LockWait | None = None) -> None:
        self.lock_wait = lock_wait or LockWait()
        self._spill = SpillFolder(beside)
        self.folder = self._spill.path
        self.con = duckdb.connect(
            config={
                "autoinstall_known_extensions": "false",
                "autoload_known_extensions": "false",
                "memory_limit": MEMORY_LIMIT,
                "temp_directory": str(self.folder / "pages"),
            }
        )
        self.con.execute("set enable_progress_bar = false")  # it would be drawn into what the command line prints

    def close(self) -> None:
        """Close the connection and remove the spill folder; a second call does nothing."""
        self.con.close()
        self._spill.close()

    def __enter__(self) -> Workspace:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
