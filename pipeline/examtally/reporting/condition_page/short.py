"""The short exam: the best set of each size, and what is lost against all maneuvers of the condition."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import Audit
from examtally.reporting.condition_page.page import names_of
from examtally.reporting.engine.aims import AIMS, fold
from examtally.reporting.engine.numbers import counted, percent, signed
from examtally.reporting.engine.tables import Column, download, table

_COLUMNS = (
    Column("set", "Best set"),
    Column("lost", "Lost against all"),
    Column("auc", "Discrimination\n(AUC)"),
    Column("wins", "Best in resamples"),
)
_SECONDS = Column("seconds", "Seconds")
NEXT_TO_NOTHING = 0.01
"""Loss of log score up to which a shorter exam is called as good as the whole one."""


def short_block(audit: Audit, condition: Condition) -> str:
    """A sentence and a row for each size; why not, where there is no figure; empty without any row."""
    found = audit.table("short_exam").filter(condition=condition.code)
    best = found.filter("is_best").sort("size").rows(named=True)
    if not best:
        return str(found["note"][0] or "") if found.height else ""
    if len(best) == 1:
        return f"Only one maneuver can be modelled here, {_names(audit, best[0])}: there is nothing to shorten."
    return f"{_in_words(audit, best)}\n\n{fold('The best set of each size', _table(audit, condition, found, best))}"


def _in_words(audit: Audit, best: Sequence[Mapping[str, Any]]) -> str:
    """The smallest set whose whole interval loses next to nothing; else that fewer lose, or that nobody can tell."""
    every = best[-1]
    shorter = [row for row in best[:-1] if row["lost_low"] is not None]
    enough = next((row for row in shorter if row["lost_high"] <= NEXT_TO_NOTHING), None)
    if enough is not None:
        return (
            f"**{counted(enough['size'], 'maneuver')}, {_names(audit, enough)}:** as good as all {every['size']} "
            f"together, discrimination (AUC) {percent(enough['auc'])} against {percent(every['auc'])} in "
            f"{counted(enough['n'], 'verified «noun»')}."
        )
    if all(row["lost_low"] > 0 for row in shorter):
        return f"Every shorter exam forecasts worse than all {every['size']} maneuvers together, beyond chance."
    return (
        f"**Too few «nouns» to tell whether fewer than all {every['size']} do as well; do them all.** The best single "
        f"one, {_names(audit, best[0])}, has a discrimination (AUC) of {percent(best[0]['auc'])} against "
        f"{percent(every['auc'])}, in {counted(every['n'], 'verified «noun»')}."
    )


def _each(audit: Audit, row: Mapping[str, Any]) -> list[str]:
    return [audit.catalogue.maneuvers[code].name for code in row["maneuvers"].split(", ")]


def _names(audit: Audit, row: Mapping[str, Any]) -> str:
    return names_of(audit, row["maneuvers"].split(", "))


def _table(audit: Audit, condition: Condition, found: pl.DataFrame, best: Sequence[Mapping[str, Any]]) -> str:
    is_timed = any(row["seconds"] is not None for row in best)
    rows = [
        {
            "set": "\n".join([counted(row["size"], "maneuver"), *_each(audit, row)]),
            "lost": _lost(row),
            "auc": percent(row["auc"]),
            "wins": percent(row["wins"]),
            "seconds": str(row["seconds"] or ""),
        }
        for row in best
    ]
    columns = (*_COLUMNS, _SECONDS) if is_timed else _COLUMNS
    level = percent(audit.protocol.intervals.level)
    caption = f"{condition.name}: the best set of each size, {AIMS['none'].name}, {level} interval of the loss beneath"
    return table(pl.DataFrame(rows), columns, caption=caption) + download(
        found.drop("condition", "status"), f"short-{condition.code}"
    )


def _lost(row: Mapping[str, Any]) -> str:
    if row["lost_low"] is None:
        return "all"
    limits = f"{signed(row['lost_low'])} to {signed(row['lost_high'])}"
    return f"{signed(row['lost'])}\n{limits}"
