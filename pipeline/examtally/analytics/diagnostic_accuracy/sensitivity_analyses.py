"""Sensitivity and specificity under other choices, beside those of the main analysis."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol as Shape

import polars as pl

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import empty

_MEASURES = ("sensitivity", "specificity")
_KEY = ("condition", "maneuver", "group_by", "group", "measure")


class CountedScenario(Shape):
    """The overall tallies of one scenario and the protocol they were counted under."""

    @property
    def name(self) -> str: ...
    @property
    def tallies(self) -> pl.DataFrame: ...
    @property
    def protocol(self) -> Protocol: ...


def scenario_table(scenarios: Iterable[CountedScenario], main: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Return the table `sensitivity_analyses`; `main` is the accuracy table on verified knees under the main choices.

    Intervals are those of the accuracy table. `difference` is null where either figure cannot be estimated; a condition
    that the scenario leaves without any reference has no row.
    """
    base = main.select(*_KEY, pl.col("estimate").alias("main"))
    parts = [
        accuracy_table(one.tallies, None, contract, one.protocol)
        .filter(pl.col("measure").is_in(_MEASURES))
        .join(base, on=list(_KEY), how="left", maintain_order="left")
        .with_columns(pl.lit(one.name).alias("scenario"), (pl.col("estimate") - pl.col("main")).alias("difference"))
        for one in scenarios
    ]
    columns = empty("sensitivity_analyses").columns
    return pl.concat([part.select(columns) for part in parts])
