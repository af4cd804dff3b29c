"""What a DuckDB connection is to the cohort, in Spark: it takes the same SQL and gives the same frames.

Beside Spark stands a DuckDB connection in memory. It has every table too: those of rules and labels and the registry's
bookkeeping with their rows, those of records without. It answers what speaks of the former alone, and says of every
other query which columns and types it has, so that Spark's frames have DuckDB's types.
"""

from __future__ import annotations

import os
import shutil
import traceback
from collections.abc import Sequence
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import polars
import pyarrow as pa
from sqlglot import exp

from examtally.contracts.records.rules import quoted
from examtally.errors import EngineError
from examtally.spark.dialect import in_spark, sources, statements
from examtally.spark.session import spark_path

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession


class SparkAnswer:
    """The rows of a query, fetched when they are asked for."""

    def __init__(self, frame: DataFrame, types: polars.Schema) -> None:
        self._frame = frame
        self._types = types

    def pl(self) -> polars.DataFrame:
        """Return the rows as a frame with the types that DuckDB gives."""
        return _fetched(self._frame).select(self._types.names()).cast(self._types)

    def fetchall(self) -> list[tuple[Any, ...]]:
        """Return the rows as tuples."""
        return self.pl().rows()


class SparkEngine:
    """One set of temporary tables over the records that `names` gives Spark's views of.

    `beside` is the DuckDB connection; `held` are the tables that it holds with their rows.
    """

    def __init__(
        self,
        session: SparkSession,
        beside: duckdb.DuckDBPyConnection,
        names: dict[str, str],
        held: set[str],
        folder: Path,
    ) -> None:
        self._session = session
        self._folder = folder
        self._beside = beside
        self._records = names
        self._bookkeeping = held
        self._names = dict(names)
        self._held = set(held)
        self._stale: set[str] = set()
        self._number = next(_NUMBERS)

    def cursor(self) -> SparkEngine:
        """Return an engine on the same records whose temporary tables are its own."""
        return SparkEngine(self._session, self._beside.cursor(), self._records, self._bookkeeping, self._folder)

    def execute(self, query: str, parameters: Any = None) -> Any:
        """Run the statements of `query`; the answer is that of the last."""
        answer: Any = None
        parsed = statements(query)
        for statement in parsed:
            text = query if len(parsed) == 1 else statement.sql(dialect="duckdb")
            answer = self._run(statement, text, parameters)
        return answer

    def sql(self, query: str, *, params: Any = None) -> Any:
        """Run one SELECT."""
        return self.execute(query, params)

    def register(self, view_name: str, python_object: pa.Table) -> None:
        """Show an Arrow table as a temporary table of that name."""
        self._beside.register(view_name, python_object)
        self._held.add(view_name)
        self._stale.add(view_name)

    def unregister(self, view_name: str) -> None:
        """Forget a table that was shown."""
        self._beside.unregister(view_name)
        self._forget(view_name)

    def close(self) -> None:
        """Drop the temporary tables."""
        for name in set(self._names) - set(self._records):
            self._forget(name)
        self._beside.close()

    def _run(self, statement: exp.Expression, text: str, parameters: object) -> Any:
        if isinstance(statement, exp.Query):
            return self._select(statement, text, parameters)
        if isinstance(statement, exp.Create):
            return self._create(statement, text, parameters)
        if isinstance(statement, exp.Insert):
            return self._insert(statement, text, parameters)
        if isinstance(statement, exp.Drop):
            self._beside.execute(text)
            return self._forget(statement.find(exp.Table).name)
        raise EngineError(f"Spark cannot do this part of the analysis ({statement.key}); analyze from the registry")

    def _select(self, query: exp.Query, text: str, parameters: object) -> Any:
        if sources(query) <= self._held:
            return self._beside.sql(text, params=parameters)
        types = self._beside.sql(f"select * from ({text}) limit 0", params=parameters).pl().schema
        return SparkAnswer(self._frame(query, parameters), types)

    def _create(self, statement: exp.Create, text: str, parameters: object) -> None:
        name = statement.find(exp.Table).name
        if statement.kind == "VIEW" or statement.expression is None:
            self._beside.execute(text, parameters)
        if statement.expression is None:
            self._held.add(name)
            self._stale.add(name)
            return
        frame = self._frame(statement.expression, parameters)
        if statement.kind == "TABLE":
            self._beside.execute(text, parameters)
            self._forget(name)
            frame = self._written(name, frame)
        self._show(name, frame)

    def _insert(self, statement: exp.Insert, text: str, parameters: object) -> None:
        name = statement.find(exp.Table).name
        if sources(statement.expression) <= self._held:
            self._beside.execute(text, parameters)
        else:
            rows = _fetched(self._frame(statement.expression, parameters)).to_arrow()
            self._beside.register("fetched_rows", rows)
            self._beside.execute(f"insert into {quoted(name)} select * from fetched_rows")
            self._beside.unregister("fetched_rows")
        self._stale.add(name)

    def _frame(self, query: exp.Expression, parameters: object) -> DataFrame:
        if parameters:
            raise EngineError("Spark cannot bind values to a query of records; analyze from the registry instead")
        for name in sources(query) & self._stale:
            self._ship(name)
        frame: DataFrame = _guarded(self._session.sql, in_spark(query, self._names, self._columns))
        return frame

    def _written(self, name: str, frame: DataFrame) -> DataFrame:
        """A table in files: what is made from it starts there, also where a task is done again."""
        place = str(self._place(name))
        _guarded(frame.write.parquet, place)
        written: DataFrame = _guarded(self._session.read.schema(frame.schema).parquet, spark_path(Path(place)))
        return written

    def _place(self, name: str) -> Path:
        return self._folder / f"{name}_{self._number}"

    def _columns(self, query: str) -> Sequence[str]:
        return self._beside.sql(query).columns

    def _ship(self, name: str) -> None:
        """Give Spark the rows of a table that stands beside it, as they are now."""
        self._stale.discard(name)
        rows = self._beside.sql(f"select * from {quoted(name)}").pl().to_arrow()
        plain = [pa.field(one.name, _PLAIN.get(one.type, one.type)) for one in rows.schema]
        self._show(name, _guarded(self._session.createDataFrame, rows.cast(pa.schema(plain))))

    def _show(self, name: str, frame: DataFrame) -> None:
        self._names[name] = self._place(name).name
        _guarded(frame.createOrReplaceTempView, self._names[name])

    def _forget(self, name: str) -> None:
        if name in self._names:
            with suppress(Exception):  # of a session that is gone
                self._session.catalog.dropTempView(self._names[name])
        shutil.rmtree(self._place(name), ignore_errors=True)
        self._names.pop(name, None)
        self._held.discard(name)
        self._stale.discard(name)


_NUMBERS = count()
_PLAIN = {
    pa.uint8(): pa.int16(),
    pa.uint16(): pa.int32(),
    pa.uint32(): pa.int64(),
    pa.uint64(): pa.int64(),
    pa.large_string(): pa.string(),
}


def _fetched(frame: DataFrame) -> polars.DataFrame:
    fetched = polars.from_arrow(_guarded(frame.toArrow))
    assert isinstance(fetched, polars.DataFrame)
    return fetched


def _guarded(call: Any, *arguments: Any) -> Any:
    """Call Spark; what it raises may quote a record, and is told by its kind alone."""
    from py4j.protocol import Py4JError
    from pyspark.errors import PySparkException

    try:
        return call(*arguments)
    except (Py4JError, PySparkException) as fault:
        if os.environ.get("EXAMTALLY_DEBUG"):
            traceback.print_exception(fault)
        raise EngineError(f"Spark stopped: {type(fault).__name__}; nothing was written") from None
