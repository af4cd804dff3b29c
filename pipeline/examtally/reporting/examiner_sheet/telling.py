"""The words of the sheet: what it is, whom it is for, agreement with colleagues, learning."""

from __future__ import annotations

import polars as pl

from examtally.reporting.audit.calibration import calibration_block
from examtally.reporting.audit.learning_chart import LearningChart, learning_chart
from examtally.reporting.engine.numbers import coefficient, counted, percent, percent_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.examiner_sheet.sheet import PERIODS, Sheet
from examtally.reporting.plain import box

_MOST_CHARTS = 3
_AGREEMENT = (
    Column("maneuver", "Maneuver"),
    Column("agreement", "Agreement"),
    Column("ac1", "AC1"),
    Column("pairs", "Pairs of exams"),
)
FOR_YOU = (
    "This sheet is for one examiner: you. Nobody else's figures are on it, and it is no rank, score or grade. It is "
    "for looking at your own hands, alone or with somebody you choose."
)


def opening(sheet: Sheet) -> str:
    """Whose sheet, of when, and how far it can speak."""
    audit = sheet.audit
    periods = audit.periods
    span = f"{periods[0]} to {periods[-1]}" if len(periods) > 1 else "".join(periods)
    wanted = audit.protocol.eligibility.last_periods
    when = (
        f"the newest {counted(wanted, 'period')} whose results are in ({span})"
        if sheet.is_of_recent_periods
        else f"all periods ({span}); for the newest {PERIODS} that are complete, analyze with --last-periods {PERIODS}"
    )
    most = counted(sheet.proven, "proven knee")
    behind = (
        f"At most {most} of yours stand behind a figure here. *Proven* means that imaging or surgery gave the answer "
        "in time. With few proven knees a figure moves far by chance alone; the last column of the table says how far."
    )
    marking = box(f"**{audit.wording.tag}** {audit.wording.internal}", "marking")
    caution = box(audit.wording.caution, "caution")
    return "\n\n".join([f"Examiner {sheet.examiner}. Exams of {when}.", FOR_YOU, behind, marking, caution])


def calibration(sheet: Sheet) -> str:
    """Own stated probabilities against what was found, for core conditions."""
    blocks = [
        block
        for condition in sheet.audit.settled
        if condition.core and (block := calibration_block(sheet.audit, condition, "examiner", sheet.examiner))
    ]
    return "\n\n".join(blocks) or "No probability that you stated belongs to a knee whose answer is known yet."


def agreement(sheet: Sheet) -> str:
    """How often a colleague wrote the same of the same knee."""
    parts = [
        _agreed(sheet, group_by, caption)
        for group_by, caption in (
            ("examiner", "You and any colleague on the same knee"),
            ("examiner_supervisor", "You and a supervisor on the same knee"),
        )
    ]
    text = "\n".join(part for part in parts if part)
    if not text:
        few = counted(sheet.audit.min_participants, "person", "people")
        return f"Fewer than {few} were examined by you and a colleague within the days allowed."
    return (
        "*Agreement* is the share of pairs of exams in which both wrote the same. *AC1* takes out what chance would "
        f"bring: 1 is always, 0 is no more than chance. Neither says who was right.\n{text}"
    )


def learning(sheet: Sheet) -> str:
    """The charts of learning with the most cases, both sides of each."""
    rows = sheet.audit.table("learning").filter(examiner_id=sheet.examiner)
    charts = [
        [
            LearningChart("You", _maneuver(sheet, maneuver), _condition(sheet, condition), side.sort("sequence"))
            for _, side in part.sort("among", descending=True).group_by("among", maintain_order=True)
        ]
        for (condition, maneuver, _), part in rows.group_by("condition", "maneuver", "outcome", maintain_order=True)
        if maneuver in sheet.audit.protocol.core and part.height >= sheet.audit.min_participants
    ]
    chosen = sorted(charts, key=lambda sides: (-sum(side.cases for side in sides), sides[0].maneuver))[:_MOST_CHARTS]
    if not chosen:
        return "Too few cases for a chart yet."
    return "\n\n".join(learning_chart(sides, f"learning-{number}") for number, sides in enumerate(chosen, start=1))


def _agreed(sheet: Sheet, group_by: str, caption: str) -> str:
    found: dict[str, dict[str, str]] = {}
    rows = sheet.agreement(group_by).filter(
        pl.col("statistic").is_in(["observed_agreement", "gwet_ac1"]),
        pl.col("participants") >= sheet.audit.min_participants,
    )
    for row in rows.iter_rows(named=True):
        line = found.setdefault(row["maneuver"], {"maneuver": _maneuver(sheet, row["maneuver"]), "ac1": ""})
        limits = (row["ci_low"], row["ci_high"])
        if row["statistic"] == "gwet_ac1":
            line["ac1"] = coefficient(row["estimate"])
        else:
            line["agreement"] = f"{percent(row['estimate'])}\n{percent_range(*limits)}"
            line["pairs"] = str(row["pairs"])
    if not found:
        return ""
    return table(pl.DataFrame(list(found.values())), _AGREEMENT, caption=caption)


def _maneuver(sheet: Sheet, code: str) -> str:
    return sheet.audit.catalogue.maneuvers[code].name


def _condition(sheet: Sheet, code: str) -> str:
    found = sheet.audit.catalogue.conditions.get(code)
    return found.name if found is not None else ""
