"""What is not a clear finding: equivocal, not done, not recorded; and the maneuvers no test can judge."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.numbers import count, percent
from examtally.reporting.engine.tables import Column, download, table, tabs

_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("positive", "Positive"),
    Column("negative", "Negative"),
    Column("equivocal", "Equivocal"),
    Column("not_done", "Not done"),
    Column("not_recorded", "Not recorded"),
)


def missing_tabs(audit: Audit) -> str:
    """Tabs by phase of the exam, each a table of its maneuvers; every row adds up to the exams of that maneuver."""
    if not audit.summed("exams"):
        return "No exam is on record."
    maneuvers = list(audit.catalogue.maneuvers.values())
    panels = [
        f"### {audit.wording.word('phase', phase)}\n{_table(audit, [m for m in maneuvers if m.phase == phase], phase)}"
        for phase in dict.fromkeys(maneuver.phase for maneuver in maneuvers)
    ]
    return tabs(panels)


def unsettled_section(audit: Audit) -> str:
    """The table of diagnoses that no test settles, under the sentence that says so."""
    notes = dict.fromkeys(condition.unsettled_note for condition in audit.unsettled if condition.unsettled_note)
    if not notes or not audit.summed("exams"):
        return ""
    return "\n\n".join(["### Diagnoses that no test settles", " ".join(notes), unsettled_table(audit)])


def unsettled_table(audit: Audit) -> str:
    """How often the maneuvers of conditions that no test settles were positive, and how often there was no finding."""
    rows = [
        {"condition": condition.name, **_row(audit, maneuver, condition.code)}
        for condition in audit.unsettled
        for maneuver in audit.maneuvers(condition)
    ]
    if not rows:
        return ""
    caption = "Maneuvers for diagnoses that no test settles: how often, and how often not"
    return table(pl.DataFrame(rows), _COLUMNS, caption=caption, group="condition")


def _table(audit: Audit, maneuvers: Iterable[Maneuver], phase: str) -> str:
    chosen = [(maneuver, (maneuver.conditions or ("none",))[0]) for maneuver in maneuvers]
    caption = f"{audit.wording.word('phase', phase)}: what was recorded, of exams that can count"
    text = table(pl.DataFrame([_row(audit, *pair) for pair in chosen]), _COLUMNS, caption=caption)
    numbers = [{"maneuver": maneuver.code} | _counts(audit, maneuver, condition) for maneuver, condition in chosen]
    return text + download(pl.DataFrame(numbers), f"recorded-{phase}")


def _row(audit: Audit, maneuver: Maneuver, condition: str) -> dict[str, str]:
    counts = _counts(audit, maneuver, condition)
    total = sum(counts.values())
    shares = {name: f"{percent(number / total)}\n{count(number)}" if total else "–" for name, number in counts.items()}
    return {"maneuver": maneuver.name} | shares


def _counts(audit: Audit, maneuver: Maneuver, condition: str) -> dict[str, int]:
    """Exams by what was recorded; those whose window for a reference is still open are left out."""
    tally = audit.tally(condition, maneuver.code)
    return {column.key: tally[column.key] for column in _COLUMNS[1:]}
