"""The part of the report about other choices."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl
import pytest

from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.sensitivity_analyses import section
from examtally.results import Results

HERE = (pl.col("maneuver") == "lachman") & (pl.col("measure") == "sensitivity")


def changed(audit: Audit, table: pl.DataFrame) -> Audit:
    tables = {**audit.results.tables, "sensitivity_analyses": table}
    return replace(audit, results=Results(tables, audit.results.provenance))


def still(audit: Audit) -> pl.DataFrame:
    """The table with no figure moved."""
    return audit.table("sensitivity_analyses").with_columns(difference=pl.lit(0.0), n=pl.lit(100, pl.Int64), flag=None)


def moved(audit: Audit, scenario: str, difference: float, **others: object) -> Audit:
    place = HERE & (pl.col("scenario") == scenario)
    changes = {"difference": difference, **others}
    table = still(audit)
    return changed(
        audit,
        table.with_columns(
            pl.when(place).then(pl.lit(value, table[name].dtype)).otherwise(pl.col(name)).alias(name)
            for name, value in changes.items()
        ),
    )


def test_every_choice_has_its_row_for_every_core_condition_and_its_meaning(clinic: Audit) -> None:
    text = section(clinic)
    scenarios = clinic.table("sensitivity_analyses")["scenario"].unique()
    assert scenarios.len() > 10
    core = [condition for condition in clinic.reportable if condition.core]
    tables = text.split("<table>")[1:]
    assert len(tables) == len(core)
    for code in scenarios:
        name = clinic.wording.word("scenario", code)
        assert all(f'<th scope="row">{name}</th>' in table for table in tables)
        assert f"- *{name}*: " in text


@pytest.mark.parametrize(("difference", "is_said"), [(0.049, False), (0.05, True), (-0.051, True)])
def test_what_moves_by_the_margin_is_said_first_in_words(clinic: Audit, difference: float, is_said: bool) -> None:
    text = section(moved(clinic, "mri_only", difference, estimate=0.61))
    before = text.split("tabs")[0]
    assert ("would be 61% with *MRI alone* (100 «nouns»)" in before) is is_said
    assert ("None of the" in before) is not is_said


def test_a_choice_that_leaves_too_few_moves_nothing_and_shows_no_figure(clinic: Audit) -> None:
    text = section(moved(clinic, "mri_only", 0.3, estimate=0.0123, n=9))
    assert "<td>1%<" not in text
    assert "None of the" in text
    assert "too few<br /><small>9 «nouns»</small>" in text


def test_the_largest_move_is_named_first(clinic: Audit) -> None:
    table = moved(clinic, "mri_only", 0.06, estimate=0.61).table("sensitivity_analyses")
    place = HERE & (pl.col("scenario") == "complete_only")
    both = table.with_columns(
        pl.when(place).then(-0.2).otherwise(pl.col("difference")).alias("difference"),
        pl.when(place).then(0.35).otherwise(pl.col("estimate")).alias("estimate"),
    )
    line = next(line for line in section(changed(clinic, both)).splitlines() if line.startswith("- **Lachman"))
    assert re.search(r"would be 35% with \*complete exams\*.* and 61% with \*MRI alone\*", line)


def test_changes_are_those_of_the_table_in_points(clinic: Audit) -> None:
    text = section(moved(clinic, "window_half", -0.074, estimate=0.5))
    row = next(line for line in text.splitlines() if "half the time for a result</th>" in line)
    assert "<td>−7</td>" in row


def test_without_the_table_the_part_says_so(clinic: Audit) -> None:
    assert section(changed(clinic, still(clinic).clear())) == "Too few verified «nouns» to try other choices."
