"""The intake check of one batch: what a second engine expected of the lines, in words, with counts over the batches."""

from __future__ import annotations

import polars as pl

from examtally.errors import ReportError
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.quality import rule_words
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
    """What was looked at, in two sentences."""
    checks = audit.table("intake_checks").filter(batch_no=batch_no)
    if checks.is_empty():
        return (
            f"No second engine was asked about batch {batch_no}: `examtally ingest --second-engine` asks it. The rules "
            "of the gate decide in any case which lines are stored."
        )
    by_table = checks.group_by("table").agg(pl.col("rows").max(), pl.col("checked").max())
    rows, checked = int(by_table["rows"].sum()), int(by_table["checked"].sum())
    bad, raised = checks.filter(pl.col("unexpected") > 0).height, int(checks["raised"].sum())
    parts = [
        f"A second engine held {counted(checks.height, 'expectation')} against {count(checked)} of {count(rows)} rows "
        f"of batch {batch_no}, as they were sent. {count(bad) if bad else 'None'} met a row that breaks it.",
        "It decides nothing: which lines are stored is decided by the rules of the gate, which count alike.",
    ]
    if raised:
        parts.append(f"{counted(raised, 'check')} failed by itself and says nothing about the data.")
    return " ".join(parts)


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
    """Every expectation in words with the rows that break it, and their share in this and in earlier batches."""
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
            pl.concat_str(
                pl.col("rule").map_elements(_column, return_dtype=pl.String),
                pl.lit(": "),
                pl.col("rule").map_elements(lambda rule: words.get(rule, rule), return_dtype=pl.String),
            ).alias("expected"),
            _word(audit, "table"),
            pl.when("raised").then(pl.lit("not run")).otherwise(pl.col("unexpected").cast(pl.String)).alias("broken"),
            pl.col("checked").map_elements(count, return_dtype=pl.String),
        )
        .fill_null("–")
    )
    columns = [
        Column("expected", "Expected of each row", words=True),
        Column("checked", "Rows looked at"),
        Column("broken", "Rows that break it"),
        *(Column(f"batch_{number}", f"Batch {number}", over="Share that breaks it") for number in earlier),
    ]
    return table(rows, columns, caption="Every expectation, and how it fared batch after batch", group="table")


def _word(audit: Audit, column: str) -> pl.Expr:
    return pl.col(column).map_elements(lambda code: audit.wording.word("table", code), return_dtype=pl.String)


def _column(rule: str) -> str:
    return rule.split(".")[1]


def _share(row: dict[str, int]) -> str:
    if row["raised"] or not row["checked"]:
        return "–"
    return percent(row["unexpected"] / row["checked"]) if row["unexpected"] else "0"
