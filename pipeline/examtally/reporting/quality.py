"""How the records came in: every line of every batch, what was held back and why, what is unknown or late."""

from __future__ import annotations

import polars as pl

from examtally.reporting.audit import Audit
from examtally.reporting.numbers import count, counted, percent
from examtally.reporting.tables import Column, table

_LINES = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
_BATCH_COLUMNS = (
    Column("table", "Table"),
    Column("lines", "Lines read"),
    Column("stored", "Stored"),
    Column("unchanged", "Already there"),
    Column("conflict", "In conflict"),
    Column("waiting", "Waiting"),
    Column("held_back", "Held back"),
)


def reconciliation(audit: Audit) -> str:
    """One table of all batches, and the sentence that it adds up, or that it does not."""
    batches = audit.table("batches")
    if batches.is_empty():
        return "No batch is on record."
    rows = batches.with_columns(
        pl.format("Batch {}", "batch_no").alias("batch"),
        pl.col("table").map_elements(lambda code: audit.wording.word("table", code), return_dtype=pl.String),
        *(pl.col(name).map_elements(count, return_dtype=pl.String) for name in _LINES),
    )
    off = batches.filter(pl.col("lines") != pl.sum_horizontal(_LINES[1:])).height
    said = "Every line read ended in exactly one place." if not off else f"**{off} rows below do not add up.**"
    caption = "Where every line of every batch went"
    return f"{said}\n{table(rows, _BATCH_COLUMNS, caption=caption, group='batch')}"


def held_back(audit: Audit) -> str:
    """Lines held back or in conflict, by the rule they broke."""
    rules = audit.table("held_back")
    if rules.is_empty():
        return "No line was held back."
    rows = (
        rules.group_by("table", "column", "rule", "kind")
        .agg(pl.col("lines").sum())
        .sort("table", "column", "rule", "kind")
        .with_columns(
            pl.col("table").map_elements(lambda code: audit.wording.word("table", code), return_dtype=pl.String),
            pl.col("kind").map_elements(lambda code: audit.wording.word("kind", code), return_dtype=pl.String),
            pl.col("lines").map_elements(count, return_dtype=pl.String),
        )
    )
    columns = (
        Column("column", "Column"),
        Column("rule", "Rule", words=True),
        Column("kind", "What happened", words=True),
        Column("lines", "Lines"),
    )
    return table(rows, columns, caption="Lines that broke a rule; their content is not kept", group="table")


def intake(audit: Audit) -> str:
    """One sentence on the second check at intake."""
    checks = audit.table("intake_checks")
    if checks.is_empty():
        return "No intake check is on record."
    bad, raised = checks.filter(pl.col("unexpected") > 0).height, int(checks["raised"].sum())
    by_table = checks.group_by("batch_no", "table").agg(pl.col("checked").max(), pl.col("rows").max())
    checked, rows = int(by_table["checked"].sum()), int(by_table["rows"].sum())
    text = (
        f"A second, independent check held {counted(checks.height, 'expectation')} against {count(checked)} of "
        f"{count(rows)} rows: {count(bad)} met rows they did not expect."
    )
    return f"{text} {counted(raised, 'check')} failed by itself and says nothing about the data." if raised else text


def unknown_and_late(audit: Audit) -> str:
    """What is unknown in the records, what came in after the answer, and references that could not be used."""
    exams, references = audit.summed("exams"), sum(_values(audit, "references"))
    unknown = [
        f"{_title(audit, row['group'])} {count(int(row['value']))} ({percent(row['value'] / whole)})"
        for row in audit.table("cohort_summary").filter(pl.col("value") > 0, item="unknown").iter_rows(named=True)
        if (whole := references if row["group"] == "exam_known" else exams)
    ]
    late = sum(_values(audit, "entered_late"))
    unused, alone = sum(_values(audit, "references_unused")), audit.summed("references_without_exam")
    lines = [
        f"- Unknown or blank, and kept: {'; '.join(unknown)}."
        if unknown
        else "- Nothing that is asked for is unknown.",
        f"- First entered after the answer was on record, kept and counted here: {counted(late, 'record')}.",
        f"- Reference results that cannot settle what they speak of: {count(unused)}; of knees nobody examined: "
        f"{count(alone)}.",
    ]
    return "\n".join(lines)


def _values(audit: Audit, item: str) -> list[int]:
    return [int(value) for value in audit.table("cohort_summary").filter(item=item)["value"].drop_nulls()]


def _title(audit: Audit, column: str) -> str:
    fields = (field for record in audit.contract.tables.values() for field in record.fields)
    return next((field.title.lower() for field in fields if field.name == column), column.replace("_", " "))
