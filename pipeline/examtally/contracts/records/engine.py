"""What a query of the records runs on: a DuckDB connection, or something that takes the same SQL."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol, TypeAlias

import duckdb

if TYPE_CHECKING:  # ingest has no frames, and they take a sixth of its time to load
    import polars
    import pyarrow as pa


class Fetched(Protocol):
    """What a statement gave."""

    def fetchall(self) -> list[Any]:
        """Return the rows as tuples."""
        ...


class Answer(Fetched, Protocol):
    """The rows of a query."""

    def pl(self) -> polars.DataFrame:
        """Return the rows as a frame."""
        ...


class SqlEngine(Protocol):
    """A connection with the records in its catalog `reg`, and with temporary tables of its own.

    The SQL is DuckDB's, and a DuckDB connection is one; `examtally.spark` has another.
    """

    def execute(self, query: str, parameters: Any = None) -> Fetched:
        """Run the statements of `query`; the answer is that of the last."""
        ...

    def sql(self, query: str, *, params: Any = None) -> Answer:
        """Run one SELECT."""
        ...

    def register(self, view_name: str, python_object: pa.Table) -> Any:
        """Show an Arrow table under a name."""
        ...

    def unregister(self, view_name: str) -> Any:
        """Forget a table that was shown."""
        ...

    def cursor(self) -> SqlEngine:
        """Return a connection to the same records with temporary tables of its own."""
        ...

    def close(self) -> None:
        """Let go of the temporary tables."""
        ...


Engine: TypeAlias = duckdb.DuckDBPyConnection | SqlEngine
"""What the cohort's queries run on."""


class Records(Protocol):
    """Records to analyze: an open registry, or a table set opened in another engine."""

    @property
    def con(self) -> Engine:
        """What queries run on."""
        ...

    def fingerprint(self) -> str:
        """Return the fingerprint of the records."""
        ...
