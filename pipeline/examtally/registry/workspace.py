"""The in-memory database every stage works in; a registry is attached to it as `reg` for as long as needed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

import duckdb

from examtally.memory import for_database
from examtally.registry.lock_wait import LockWait
from examtally.registry.scratch import SpillFolder

_SMALL = 8 << 20  # bytes of files


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


def have_rows(con: duckdb.DuckDBPyConnection, sources: Sequence[str]) -> tuple[bool, ...]:
    """Whether each source, what stands behind FROM, has a row: one statement for all of them."""
    asked = " union all ".join(f"(select {place} from {source} limit 1)" for place, source in enumerate(sources))
    found = {place for (place,) in con.execute(asked).fetchall()} if sources else set()
    return tuple(place in found for place in range(len(sources)))


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
                "memory_limit": f"{for_database()}B",
                "temp_directory": str(self.folder / "pages"),
            }
        )
        self.con.execute("set enable_progress_bar = false")  # it would be drawn into what the command line prints

    def suit(self, size: int) -> None:
        """Take one thread where files of `size` bytes are all that is read: others cost more there than they bring."""
        if size <= _SMALL:
            self.con.execute("set threads = 1")

    def close(self) -> None:
        """Close the connection and remove the spill folder; a second call does nothing."""
        try:
            self.con.close()
        finally:
            self._spill.close()

    def __enter__(self) -> Workspace:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
