"""How the records came in: every line of every batch, what was held back and why, what is unknown or late."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from examtally.contracts.records.rules import CrossRule, Rule, key_rule, reference_rules, rules_for, withdrawn_rule
from examtally.contracts.records.screening import ScreenRule, screen_rules
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.numbers import count, counted, percent
from examtally.reporting.engine.tables import Column, details, table
from examtally.reporting.engine.wording import inside_sentence

_LINES = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
_BATCH_COLUMNS = (
    Column("table", "Table"),
    Column("lines", "Lines read"),
    Column("stored", "Stored"),
    Column("unchanged", "Already there"),
    Column("conflict", "In conflict"),
    Column("waiting", "Waiting"),
    Column("held_back", "Held for correction"),
)


_FAULTS = (
    Column("item", "Item"),
    Column("rule", "What is asked for", words=True),
    Column("lines", "Lines"),
)
_SHORT = {
    "enum": "a code of its list",
    "pseudonym": "a coded identifier",
    "unique": "one line each",
    "conflict": "the same as stored before",
    "reference": "one that is on record",
}


def adds_up(audit: Audit) -> str:
    """How many lines came in how many batches, and the sentence that they add up or do not."""
    batches = audit.table("batches")
    if batches.is_empty():
        return "No batch is on record."
    off = batches.filter(pl.col("lines") != pl.sum_horizontal(_LINES[1:])).height
    number, lines = batches["batch_no"].n_unique(), int(batches["lines"].sum())
    said = "each ended in exactly one place" if not off else f"**{off} rows of their table do not add up**"
    return f"{count(lines)} record lines came in {counted(number, 'batch', 'batches')}; {said}."


def reconciliation(audit: Audit) -> str:
    """The sentence that the lines add up or do not, a table over all batches, and every batch under a fold."""
    batches = audit.table("batches")
    if batches.is_empty():
        return adds_up(audit)
    totals = batches.group_by("table", maintain_order=True).agg(pl.col(_LINES).sum())
    parts = [adds_up(audit), _lines(audit, totals, "Where every line went")]
    if batches["batch_no"].n_unique() > 1:
        each = batches.with_columns(pl.format("Batch {}", "batch_no").alias("batch"))
        parts.append(details("Each batch", _lines(audit, each, "Where every line of each batch went", group="batch")))
    return "\n".join(parts)


def _lines(audit: Audit, counts: pl.DataFrame, caption: str, *, group: str | None = None) -> str:
    rows = counts.with_columns(
        pl.col("table").map_elements(lambda code: audit.wording.word("table", code), return_dtype=pl.String),
        *(pl.col(name).map_elements(count, return_dtype=pl.String) for name in _LINES),
    )
    return table(rows, _BATCH_COLUMNS, caption=caption, group=group)


def held_back(audit: Audit) -> str:
    """How many lines were held back or in conflict, and under a fold by the rule they broke."""
    rules = audit.table("held_back")
    batches = audit.table("batches")
    held, conflicts = (int(batches[name].sum()) for name in ("held_back", "conflict"))
    if not held + conflicts:
        return "No line was held for correction."
    said = (
        f"{counted(held, 'line')} held for correction and {count(conflicts)} in conflict with what is stored. A line "
        "that breaks several rules counts under each; what it held is not kept."
    )
    return f"{said}\n{details('By what is asked for', faults_table(audit, rules))}"


def faults_table(audit: Audit, rules: pl.DataFrame) -> str:
    """Rows of `held_back` in a reader's words: where, what is asked for, and how many lines are otherwise."""
    words = rule_words(audit)
    rows = (
        rules.with_columns(
            pl.struct("table", "column").map_elements(lambda row: item_name(audit, **row), return_dtype=pl.String),
            pl.col("rule").map_elements(lambda code: short_words(code, words), return_dtype=pl.String),
        )
        .rename({"table": "item"})
        .with_columns(table=rules["table"])
        .group_by("table", "item", "rule", maintain_order=True)
        .agg(pl.col("lines").sum())
        .sort("table", "item", "rule")
        .with_columns(
            pl.col("table").map_elements(lambda code: audit.wording.word("table", code), return_dtype=pl.String),
            pl.col("lines").map_elements(count, return_dtype=pl.String),
        )
    )
    return table(rows, _FAULTS, caption="Lines held for correction or in conflict", group="table")


def item_name(audit: Audit, table: str, column: str) -> str:
    """A column, or several joined by +, by the titles of the record tables."""
    titles = {field.name: field.title for field in audit.contract.tables[table].fields}
    names = [titles.get(name, name.replace("_", " ")) for name in column.split("+")]
    return " + ".join([names[0], *map(inside_sentence, names[1:])])


def short_words(rule: str, words: Mapping[str, str]) -> str:
    """What a rule asks for without its codes: those stand in the data dictionary."""
    return _SHORT.get(rule.rsplit(".", 1)[-1]) or words.get(rule, rule).replace("_", " ")


def rule_words(audit: Audit) -> dict[str, str]:
    """What each rule asks for, in the words its sender was given."""
    contract = audit.contract
    rules: list[Rule | CrossRule | ScreenRule] = []
    for name in contract.tables:
        rules += [*rules_for(contract, name), key_rule(contract, name), *reference_rules(contract, name)]
        rules += screen_rules(contract, name)
        withdrawn = withdrawn_rule(contract, name)
        rules += [] if withdrawn is None else [withdrawn]
    return {rule.id: rule.legal for rule in rules}


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
        f"{count(rows)} rows: {count(bad) if bad else 'none'} met a row that breaks it."
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
        f"- First entered after the result was on record, kept and counted here: {counted(late, 'record')}.",
        f"- Reference results that cannot settle what they speak of: {count(unused)}; of «nouns» nobody examined: "
        f"{count(alone)}.",
    ]
    return "\n".join(lines)


def _values(audit: Audit, item: str) -> list[int]:
    return [int(value) for value in audit.table("cohort_summary").filter(item=item)["value"].drop_nulls()]


def _title(audit: Audit, column: str) -> str:
    fields = (field for record in audit.contract.tables.values() for field in record.fields)
    return next((field.title.lower() for field in fields if field.name == column), column.replace("_", " "))
