"""What the records rest on though nobody wrote it: said in the report wherever a mapping file asked for it."""

from __future__ import annotations

import polars as pl

from examtally.contracts.contract import load_contract
from examtally.reporting.audit import Audit
from examtally.reporting.numbers import count


def taken_for_said(audit: Audit) -> str:
    """Sentences about blanks read as negative, silence read as absent and repeats, with their lines; else empty."""
    table = audit.table("assumptions")
    if table.is_empty():
        return ""
    totals = (
        table.group_by("table", "assumption", "code").agg(pl.col("lines").sum()).sort("table", "assumption", "code")
    )
    said = [_sentence(row) for row in totals.to_dicts()]
    head = "Some of the records rest on rules of a mapping file, not on something written:"
    return "\n".join([head, "", *(f"- {sentence}" for sentence in said), ""])


def _sentence(row: dict[str, object]) -> str:
    contract = load_contract()
    code, lines = str(row["code"]), count(int(str(row["lines"])))
    if row["assumption"] == "blank_negative":
        name = contract.catalogue.maneuvers[code].name if code in contract.catalogue.maneuvers else code
        return f"A blank was read as negative for {name}: {lines} findings."
    if row["assumption"] == "unlisted_absent":
        name = contract.catalogue.modalities[code].name if code in contract.catalogue.modalities else code
        return f"What a reading always covers and did not name was read as absent, {name}: {lines} lines."
    title = contract.tables[str(row["table"])].title.lower()
    return f"Where several lines spoke of one entry in {title}, the first was taken."
