"""A second opinion on every table by another engine, Great Expectations on the staged text: counts only.

It reports and never decides. Above 200,000 lines it looks at a systematic sample. It is heavy to load, and is loaded
here alone, when it is needed, without the packages that none of our expectations has a use for.
"""

from __future__ import annotations

import logging
import math
import os
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any, cast

import duckdb

from examtally.contracts.records.rules import Expectation, Rule, number_sql, quoted
from examtally.ingestion.checking.gate import Checks, held
from examtally.ingestion.reading.staging import Staged
from examtally.ingestion.storing.report import IntakeCheck

if TYPE_CHECKING:
    import pandas as pd

MOST_LINES = 200_000
_FLAG = {"value_set": [1]}
_LATER = ("altair", "jsonschema", "scipy.stats")  # for charts, JSON and distributions; two thirds of the loading
_NEVER = "pyspark"  # what it would try of Spark ends a process that was not begun by a file


def expectations_for(staged: Staged, checks: Checks) -> list[tuple[str, Expectation]]:
    """Return the suite of a table: the expectation of every rule on a supplied column, then one line a key."""
    suite = [(rule.id, rule.expectation) for rule in checks.rows if rule.column in staged.supplied]
    key = Expectation("expect_column_values_to_be_in_set", "key__unique", _FLAG)
    return [*suite, (checks.key.id, key)]


def examine(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks) -> tuple[IntakeCheck, ...]:
    """Hold the suite against a staged table; a check whose engine failed says so instead of a count."""
    suite = expectations_for(staged, checks)
    frame = _frame(con, staged, checks)
    try:
        outcome = _validate(frame, [expectation for _, expectation in suite])
    except Exception:  # whatever goes wrong inside the engine is the engine's failure, not the data's
        outcome = [None] * len(suite)
    return tuple(
        IntakeCheck(
            table=staged.table.name,
            rule=rule,
            expectation=expectation.type,
            rows=staged.lines,
            checked=len(frame),
            unexpected=unexpected,
            raised=unexpected is None,
        )
        for (rule, expectation), unexpected in zip(suite, outcome, strict=True)
    )


def _frame(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks) -> pd.DataFrame:
    """The lines to look at: text, numbers beside it, and 0/1 columns for the rules no expectation can state."""
    step = max(1, math.ceil(staged.lines / MOST_LINES))
    rules = [rule for rule in checks.rows if rule.column in staged.supplied]
    columns = {name: quoted(name) for name in staged.table.names if name in staged.supplied}
    columns |= {
        rule.expectation.column: _column(staged, rule) for rule in rules if rule.expectation.column != rule.column
    }
    repeated = f"select rid from {held(staged.table)} where rule_no = {checks.number(checks.key)}"
    columns["key__unique"] = f"case when rid in ({repeated}) then 0 else 1 end"
    selected = ", ".join(f"{sql} as {quoted(name)}" for name, sql in columns.items())
    lines = staged.view
    if step > 1:  # asked of scattered lines, each condition would be made ready anew for every few of them
        lines, which = "sampled", f"rid in (select range from range(0, {staged.lines}, {step}))"
        con.execute(f"create or replace temp table sampled as select * from {staged.view} where {which}")
    frame: pd.DataFrame = con.sql(f"select {selected} from {lines} order by rid").to_arrow_table().to_pandas()
    return frame


def _column(staged: Staged, rule: Rule) -> str:
    if rule.expectation.column == rule.flag_column:
        return f"case when {rule.sql} then 1 else 0 end"
    return number_sql(staged.table.field(rule.column))


def load_engine() -> Any:
    """Return the engine, loaded once."""
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    with warnings.catch_warnings(), _loaded_later():
        warnings.simplefilter("ignore")
        return import_module("great_expectations")


def _validate(frame: pd.DataFrame, suite: Sequence[Expectation]) -> list[int | None]:
    """Return for each expectation how many lines fail it, None where it could not be evaluated."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        gx = load_engine()
        from great_expectations.data_context.types.base import DataContextConfig, InMemoryStoreBackendDefaults

        logging.getLogger("great_expectations").setLevel(logging.CRITICAL)  # its messages may quote records
        stores = InMemoryStoreBackendDefaults(init_temp_docs_sites=False)
        context = gx.get_context(mode="ephemeral", project_config=DataContextConfig(store_backend_defaults=stores))
        context.variables.progress_bars = {"globally": False}
        asset = context.data_sources.add_pandas("staged").add_dataframe_asset("lines")
        batch = asset.add_batch_definition_whole_dataframe("all").get_batch({"dataframe": frame})
        expectations = [_expectation(gx, one, number) for number, one in enumerate(suite)]
        result = batch.validate(
            gx.ExpectationSuite(name="intake", expectations=expectations),
            result_format={"result_format": "BASIC", "partial_unexpected_count": 0},
        )
    counts: list[int | None] = [None] * len(suite)
    for one in result.results:
        if not _raised(one.exception_info):
            counts[one.expectation_config.meta["number"]] = int(one.result["unexpected_count"])
    return counts


class _Later(ModuleType):
    """Stands for a module until somebody takes something of it."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):  # what the import machinery asks of any module
            raise AttributeError(name)
        _forget(self)
        return getattr(import_module(self.__name__), name)


@contextmanager
def _loaded_later() -> Iterator[None]:
    """What is imported in the block does without the modules of `_LATER` until it uses them, and without `_NEVER`."""
    standing = {name: _Later(name) for name in _LATER if name not in sys.modules}
    is_kept_out = _NEVER not in sys.modules
    sys.modules.update(standing)
    if is_kept_out:
        sys.modules[_NEVER] = cast(ModuleType, None)  # how Python is told that there is none
    try:
        yield
    finally:
        for module in standing.values():
            _forget(module)
        if is_kept_out:
            del sys.modules[_NEVER]


def _forget(module: ModuleType) -> None:
    """Let the next import of a name load what has it."""
    if sys.modules.get(module.__name__) is module:
        del sys.modules[module.__name__]


def _expectation(gx: Any, expectation: Expectation, number: int) -> Any:
    name = "".join(word.capitalize() for word in expectation.type.split("_"))
    return getattr(gx.expectations, name)(column=expectation.column, meta={"number": number}, **expectation.kwargs)


def _raised(info: dict[str, Any]) -> bool:
    """Whether the engine failed; it tells so in one record, or in one for each metric it needed."""
    records = [info] if "raised_exception" in info else list(info.values())
    return any(record["raised_exception"] for record in records)
