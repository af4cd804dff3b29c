"""Sensitivity by how severe the condition is, where the reference grades it; corrected like the leading estimate."""

from __future__ import annotations

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import counted
from examtally.reporting.engine.tables import Column, download, table

_NOTE = (
    "A test may find a severe injury and miss a mild one; the sensitivity above mixes them. The grade is the one that "
    "imaging or surgery gave. Who was imaged and the errors of the tests are allowed for as above."
)


def by_severity(audit: Audit, condition: Condition) -> str:
    """A table of sensitivity by grade of the condition; nothing where no grade has a figure."""
    rows = audit.table("accuracy").filter(
        condition=condition.code, group_by="severity", measure="sensitivity", adjustment="bias_adjusted"
    )
    if rows.filter(pl.col("estimate").is_not_null()).is_empty():
        return ""
    found = {(row["maneuver"], row["group"]): row for row in rows.iter_rows(named=True)}
    grades = [grade for grade in condition.severity if any(group == grade.code for _, group in found)]
    lines = [
        {"maneuver": maneuver.name} | {grade.code: _cell(found.get((maneuver.code, grade.code))) for grade in grades}
        for maneuver in audit.maneuvers(condition)
        if any((maneuver.code, grade.code) in found for grade in grades)
    ]
    columns = (Column("maneuver", "Maneuver"), *(Column(one.code, one.label, "Sensitivity") for one in grades))
    caption = f"{condition.name}: sensitivity by severity"
    kept = rows.select("maneuver", "group", "estimate", "ci_low", "ci_high", "n", "note")
    return f"{_NOTE}\n{table(pl.DataFrame(lines), columns, caption=caption)}" + download(
        kept, f"severity-{condition.code}"
    )


def _cell(row: dict[str, object] | None) -> str:
    """The figure with its limits and the graded knees; too few where it is withheld."""
    if row is None:
        return ""
    estimate = Estimate.of(row)
    knees = f"{counted(estimate.n, 'knee')} graded"
    return f"{estimate.pair}\n{knees}" if estimate.is_usable else f"too few\n{knees}"
