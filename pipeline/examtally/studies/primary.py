"""The primary result of a study as one table, whatever its design."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

from examtally.contracts.study.parts import StudyAnalysis
from examtally.contracts.study.study import Study
from examtally.studies.declared import OVERALL, rows_of

_TABLE = {"accuracy": "accuracy", "paired": "comparisons", "by_group": "interactions", "agreement": "agreement"}
_RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")
SCHEMA = {
    "analysis": pl.String(),
    "of": pl.String(),
    "measure": pl.String(),
    "adjustment": pl.String(),
    "estimate": pl.Float64(),
    "ci_low": pl.Float64(),
    "ci_high": pl.Float64(),
    "p_value": pl.Float64(),
    "n": pl.Int64(),
    "is_main": pl.Boolean(),
    "note": pl.String(),
}


def primary_result(study: Study, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return the rows of the primary analyses, of everybody: one a figure and correction, the main correction first.

    `estimate` is a difference (of two tests, of two groups) or ratio where one is asked for, else the measure itself;
    proportions as such. `n` counts verified knees, pairs of exams for agreement. Null where a figure cannot be given:
    `note` then says why. `is_main` marks the rows that lead in the paper.
    """
    found = [row for one in study.primary for row in _rows(one, study, tables)]
    frame = pl.DataFrame(found, schema=SCHEMA, orient="row")
    return frame.sort("is_main", descending=True, maintain_order=True)


def _rows(one: StudyAnalysis, study: Study, tables: Mapping[str, pl.DataFrame]) -> Iterator[tuple[Any, ...]]:
    name = _TABLE[one.kind]
    asked = rows_of(name, one, study)
    if asked is None or name not in tables:
        return
    for row in tables[name].filter(asked).iter_rows(named=True):
        if one.kind in ("accuracy", "paired") and row["group_by"] != OVERALL:
            continue
        measure = row.get("measure", row.get("statistic"))
        if row.get("contrast", "difference") != "difference" and measure not in _RATIOS:
            continue
        adjustment = row.get("adjustment", "none")
        is_main = adjustment == study.main or one.kind == "agreement"
        figure = row["difference"] if "difference" in row else row["estimate"]
        yield (
            *(one.name, _of(row), measure, adjustment, figure, row["ci_low"], row["ci_high"]),
            *(row.get("p_value"), _count(row), is_main, row["note"]),
        )


def _of(row: Mapping[str, Any]) -> str:
    """What a row speaks of: a test, two of them, or two groups of one."""
    if "maneuver_a" in row:
        return f"{row['maneuver_a']} minus {row['maneuver_b']}"
    if "group_a" in row:
        return f"{row['maneuver']}: {row['group_a']} minus {row['group_b']}"
    return str(row["maneuver"])


def _count(row: Mapping[str, Any]) -> int:
    if "n_a" in row:
        return int(row["n_a"] + row["n_b"])
    return int(row["pairs"] if "pairs" in row else row["n"])
