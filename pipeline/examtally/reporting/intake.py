"""The intake check of one batch: what became of its lines, what has to be mended, and what a second check found."""

from __future__ import annotations

import polars as pl

from examtally.errors import ReportError
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.quality import faults_table, item_name, rule_words, short_words
from examtally.reporting.engine.aims import fold
from examtally.reporting.engine.numbers import count, counted, percent
from examtally.reporting.engine.tables import Column, table

_TREND = 6
_LINES = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
_HEADS = ("Lines read", "Stored", "Already there", "In conflict", "Waiting", "Held for correction")


def batch_of(audit: Audit, number: int) -> int:
    """The batch that a parameter names, the newest where it is 0. Raises ReportError where nothing is stored."""
    newest = audit.table("batches")["batch_no"].max()
    if not number and newest is None:
        raise ReportError("no batch is stored yet, so there is no intake check")
    return number or int(str(newest))


def opening(audit: Audit, batch_no: int) -> str:
    """What became of the batch, what is wrong, who mends it and by when."""
    rows = audit.table("batches").filter(batch_no=batch_no)
    lines, stored, unchanged, conflict, waiting, held = (int(rows[name].sum() or 0) for name in _LINES)
    there = f", {count(unchanged)} were there already" if unchanged else ""
    later = f", {count(waiting)} wait for what they belong to" if waiting else ""
    parts = [f"Of {counted(lines, 'line')} of batch {batch_no}, {count(stored)} were stored as new{there}{later}."]
    if held + conflict:
        parts.append(
            f"**{counted(held, 'line')} held for correction, {count(conflict)} in conflict with what is stored.** Who "
            "makes the export mends them at the source and sends them again with the next batch."
        )
    else:
        parts.append("**Nothing has to be mended.**")
    return f"{' '.join(parts)}\n\n{_second(audit, batch_no)}"


def _second(audit: Audit, batch_no: int) -> str:
    """What the independent check of the same lines found."""
    checks = audit.table("intake_checks").filter(batch_no=batch_no)
    if checks.is_empty():
        return "No second, independent check of these lines was asked for."
    bad, raised = checks.filter(pl.col("unexpected") > 0).height, int(checks["raised"].sum())
    found = f"finds lines against {count(bad)} of them" if bad else "finds no line against any of them"
    failed = f" {counted(raised, 'check')} failed by itself and says nothing about the data." if raised else ""
    return f"A second, independent check of {counted(checks.height, 'rule')} {found}; it decides nothing.{failed}"


def faults(audit: Audit, batch_no: int) -> str:
    """What is wrong in this batch: where, what is asked for, and how many lines."""
    rules = audit.table("held_back").filter(batch_no=batch_no)
    return faults_table(audit, rules) if rules.height else "Nothing."


def arrivals(audit: Audit, batch_no: int) -> str:
    """Where every line of the batch went."""
    rows = audit.table("batches").filter(batch_no=batch_no)
    if rows.is_empty():
        return ""
    shown = rows.with_columns(
        _word(audit, "table"), *(pl.col(name).map_elements(count, return_dtype=pl.String) for name in _LINES)
    )
    columns = [Column("table", "Table"), *(Column(name, head) for name, head in zip(_LINES, _HEADS, strict=True))]
    return table(shown, columns, caption="Where every line of this batch went")


def expectations(audit: Audit, batch_no: int) -> str:
    """Under a fold every rule of the second check, with the lines against it here and in the batches before."""
    checks = audit.table("intake_checks").filter(pl.col("batch_no") <= batch_no)
    own = checks.filter(batch_no=batch_no)
    if own.is_empty():
        return ""
    earlier = sorted(checks["batch_no"].unique().to_list())[-_TREND:]
    words = rule_words(audit)
    share = pl.struct("unexpected", "checked", "raised").map_elements(_share, return_dtype=pl.String)
    trend = (
        checks.filter(pl.col("batch_no").is_in(earlier))
        .with_columns(share.alias("share"), pl.format("batch_{}", "batch_no").alias("batch"))
        .pivot("batch", index=["table", "rule"], values="share")
    )
    rows = (
        own.join(trend, on=["table", "rule"], how="left", maintain_order="left")
        .with_columns(
            pl.struct("table", "rule")
            .map_elements(lambda row: item_name(audit, row["table"], row["rule"].split(".")[1]), return_dtype=pl.String)
            .alias("item"),
            pl.col("rule").map_elements(lambda rule: short_words(rule, words), return_dtype=pl.String).alias("asked"),
            _word(audit, "table"),
            pl.when("raised").then(pl.lit("not run")).otherwise(pl.col("unexpected").cast(pl.String)).alias("broken"),
            pl.col("checked").map_elements(count, return_dtype=pl.String),
        )
        .fill_null("–")
    )
    columns = [
        Column("item", "Item"),
        Column("asked", "What is asked for", words=True),
        Column("checked", "Lines looked at"),
        Column("broken", "Lines against it"),
        *(Column(f"batch_{number}", f"Batch {number}", over="Share against it") for number in earlier),
    ]
    shown = table(rows, columns, caption="Every rule of the second check", group="table")
    return fold(f"Every rule of the second check ({own.height})", shown)


def _word(audit: Audit, column: str) -> pl.Expr:
    return pl.col(column).map_elements(lambda code: audit.wording.word("table", code), return_dtype=pl.String)


def _share(row: dict[str, int]) -> str:
    if row["raised"] or not row["checked"]:
        return "–"
    return percent(row["unexpected"] / row["checked"]) if row["unexpected"] else "0"
