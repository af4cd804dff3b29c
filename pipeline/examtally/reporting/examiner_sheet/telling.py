"""The words of the sheet: what it is, whom it is for, agreement with colleagues, learning."""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from examtally.reporting.audit.calibration import BAND_COLUMNS, band_cells, rows_of, shares, verdict
from examtally.reporting.audit.learning_chart import LearningChart, learning_chart, standing
from examtally.reporting.engine.aims import fold
from examtally.reporting.engine.numbers import coefficient, count, counted, listed, percent, percent_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.examiner_sheet.sheet import Sheet
from examtally.reporting.plain import box, marking, tag

_MOST_CHARTS = 2
_AFTER = "examiner_after_exam"
_AGREEMENT = (
    Column("maneuver", "Maneuver"),
    Column("whom", "Same finding as"),
    Column("shared", "In"),
    Column("beyond", "AC1"),
    Column("pairs", "Pairs"),
)
_WHOM = {"examiner_supervisor": "a supervisor", "examiner": "any colleague"}
_MOST_CASES = 3
_STATED = (Column("condition", "After the exam"), *BAND_COLUMNS)
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
        f"the last {counted(wanted, 'period')} with follow-up complete ({span})"
        if sheet.is_of_recent_periods
        else f"all periods ({span})"
    )
    behind = (
        f"At most {counted(sheet.verified, 'verified «noun»')} of yours stand behind a figure here: with so few a "
        "figure moves far by chance."
    )
    return "\n\n".join([tag(audit), f"Examiner {sheet.examiner}. Exams of {when}. {behind}", FOR_YOU])


def closing(sheet: Sheet) -> str:
    """How the sheet may be used."""
    audit = sheet.audit
    return "\n\n".join([marking(audit).strip("\n"), box(audit.wording.caution, "caution").strip("\n")])


def calibration(sheet: Sheet) -> str:
    """Own stated probabilities against who has the condition, for core conditions: one table, and the verdicts."""
    rows: list[dict[str, str]] = []
    said: dict[str, list[str]] = {}
    for condition in sheet.audit.settled:
        if not condition.core:
            continue
        measures, points = rows_of(sheet.audit, condition, "examiner", sheet.examiner)
        found = shares(points, _AFTER)
        if found and measures["participants"].max() >= sheet.audit.min_participants:  # type: ignore[operator]
            rows.append({"condition": condition.name} | band_cells(found))
            words = said.setdefault(verdict(measures, _AFTER), [])
            words.append(inside_sentence(condition.name) if words else condition.name)
    if not rows:
        return "Too few probabilities stated after the exam, of «nouns» with follow-up complete, to show."
    caption = "«Nouns» expected to have it, of those you gave each probability"
    told = [f"- {listed(names)}: {words}" for words, names in said.items()]
    return "\n\n".join([table(pl.DataFrame(rows), _STATED, caption=caption).strip("\n"), "\n".join(told)])


def agreement(sheet: Sheet) -> str:
    """How often a supervisor wrote the same of the same knee, or any colleague where few pairs are with a supervisor.

    Core maneuvers, others under a fold.
    """
    found: dict[str, dict[str, str]] = {}
    for group_by, whom in _WHOM.items():
        for maneuver, cells in _agreed(sheet, group_by).items():
            found.setdefault(maneuver, {"maneuver": _maneuver(sheet, maneuver), "whom": whom} | cells)
    if not found:
        few = counted(sheet.audit.min_participants, "patient")
        return f"Fewer than {few} were examined by you and a colleague within the days allowed."
    core = {code: row for code, row in found.items() if code in sheet.audit.protocol.core}
    others = [found[code] for code in sorted(found.keys() - core.keys())]
    text = (
        "Both wrote the same of one «noun», and *AC1*, chance-corrected: 0 is no more than chance. Neither says who "
        "was right."
    )
    own = [core[code] for code in sorted(core)]
    rest = _agreement_table(others, "Other maneuvers")
    return f"{text}\n{_agreement_table(own, 'You and your colleagues')}" + (
        fold("Other maneuvers", rest) if others else ""
    )


def _agreement_table(rows: list[dict[str, str]], caption: str) -> str:
    return table(pl.DataFrame(rows), _AGREEMENT, caption=caption) if rows else ""


def _agreed(sheet: Sheet, group_by: str) -> dict[str, dict[str, str]]:
    """By maneuver: agreement with its limits, AC1 and the number of pairs."""
    rows = sheet.agreement(group_by).filter(
        pl.col("statistic").is_in(["observed_agreement", "gwet_ac1"]),
        pl.col("participants") >= sheet.audit.min_participants,
    )
    by = {(row["maneuver"], row["statistic"]): row for row in rows.iter_rows(named=True)}
    return {
        maneuver: {
            "shared": f"{percent(row['estimate'])} ({percent_range(row['ci_low'], row['ci_high'])})",
            "beyond": coefficient(by.get((maneuver, "gwet_ac1"), {}).get("estimate")),
            "pairs": count(row["pairs"]),
        }
        for (maneuver, statistic), row in by.items()
        if statistic == "observed_agreement"
    }


def again(sheet: Sheet, text: str) -> str:
    """Confirmed cases that contradict what was written, by the code of the exam, missed conditions first; if listed."""
    found = [_case(sheet, row) for row in json.loads(text)[:_MOST_CASES]]
    if not found:
        return ""
    return f"**Cases to look at again**, with somebody; the reference errs as well. {'; '.join(found)}."


def _case(sheet: Sheet, row: dict[str, Any]) -> str:
    wrote = f"you stated {percent(row['probability'])}"
    if row["maneuver"] is not None:
        wrote = f"{inside_sentence(_maneuver(sheet, row['maneuver']))} {row['finding']}"
    return f"{row['exam_id']}: {wrote}, {inside_sentence(_condition(sheet, row['condition']))} {row['reference']}"


def learning(sheet: Sheet) -> str:
    """Where a learner stands with the maneuvers of most cases, each once, in words, and the charts under a fold."""
    rows = sheet.audit.table("learning").filter(examiner_id=sheet.examiner)
    found = [
        [
            LearningChart("You", _maneuver(sheet, maneuver), _condition(sheet, condition), side.sort("sequence"))
            for _, side in part.sort("among", descending=True).group_by("among", maintain_order=True)
        ]
        for (condition, maneuver, _), part in rows.group_by("condition", "maneuver", "outcome", maintain_order=True)
        if maneuver in sheet.audit.protocol.core and part.height >= sheet.audit.min_participants
    ]
    most: dict[str, list[LearningChart]] = {}
    for sides in sorted(found, key=lambda sides: (-sum(side.cases for side in sides), sides[0].maneuver)):
        most.setdefault(sides[0].maneuver, sides)
    chosen = list(most.values())[:_MOST_CHARTS]
    if not chosen:
        return "Too few cases for a chart yet."
    lines = [
        f"- {_followed(sides[0])}: {standing(sides)}; {listed([side.short for side in sides])}." for sides in chosen
    ]
    charts = [learning_chart(sides, f"learning-{number}") for number, sides in enumerate(chosen, start=1)]
    return "\n".join(lines) + "\n" + fold("The charts", "\n\n".join(charts))


def _followed(chart: LearningChart) -> str:
    return f"{chart.maneuver}, beside a supervisor" if chart.is_by_supervisor else chart.what


def _maneuver(sheet: Sheet, code: str) -> str:
    return sheet.audit.catalogue.maneuvers[code].name


def _condition(sheet: Sheet, code: str) -> str:
    found = sheet.audit.catalogue.conditions.get(code)
    return found.name if found is not None else ""
