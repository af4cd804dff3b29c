"""Examiners by a code drawn anew for the report: counts and intervals, in the order of the codes, never ranked."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence

import polars as pl

from examtally.contracts.clinical import Condition, Maneuver
from examtally.reporting.audit import Audit
from examtally.reporting.forest import Row, forest
from examtally.reporting.tables import Column, table, tabs

_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
_DIGITS = "23456789"
_COLUMNS = (
    Column("code", "Examiner"),
    Column("sensitivity", "Sensitivity"),
    Column("specificity", "Specificity"),
    Column("findings", "Findings"),
    Column("known", "Answer known"),
)

HOW_TO_GET = (
    "This report was made without rows about persons. To see each examiner's counts, by a code drawn anew, analyze "
    "with `--with-examiners` and render the report again; agree first who may see it."
)

CAUTION = (
    "Each examiner has a code drawn anew for this report; rows stand in the order of the codes, which means nothing. "
    "Examiners see and image different knees, and none of this is corrected for it: a difference between two rows is a "
    "question, not a finding about a person. Not for grading, credentialing, pay or discipline."
)


def fresh_codes(examiners: Sequence[str], source: random.Random | None = None) -> dict[str, str]:
    """Give each examiner a code of a letter and a digit that nothing leads back from; longer ones for many examiners.

    The draw is from the system's own randomness, so that nobody can repeat it; `source` makes a test repeatable.
    """
    draw = source or random.SystemRandom()
    places = [_LETTERS, _DIGITS]
    while len(examiners) > _room(places) // 2:
        places.append(_DIGITS)
    codes: set[str] = set()
    while len(codes) < len(examiners):
        codes.add("".join(draw.choice(place) for place in places))
    shuffled = sorted(codes)
    draw.shuffle(shuffled)
    return dict(zip(examiners, shuffled, strict=True))


def section(audit: Audit) -> str:
    """What can be shown of examiners, or how to get it."""
    if not audit.results.has_examiners:
        return HOW_TO_GET
    return f"{CAUTION}\n\n{examiner_blocks(audit)}"


def examiner_blocks(audit: Audit) -> str:
    """Tabs, one a main maneuver of a core condition, with a forest plot and a table of the examiners who used it."""
    codes = fresh_codes(audit.groups("examiner"))
    panels = [
        panel
        for condition in audit.told
        if condition.core
        for maneuver in audit.mains(condition)
        if (panel := _panel(audit, condition, maneuver, codes))
    ]
    if not panels:
        return "No core condition has figures to show yet."
    return tabs(panels)


def _panel(audit: Audit, condition: Condition, maneuver: Maneuver, codes: Mapping[str, str]) -> str:
    rows, cells = [], []
    for examiner, code in sorted(codes.items(), key=lambda pair: pair[1]):
        place = (condition.code, maneuver.code)
        tally = audit.tally(*place, "examiner", examiner)
        if not tally["exams"]:
            continue
        found, cleared = (
            audit.estimate(*place, measure, "examiner", examiner) for measure in ("sensitivity", "specificity")
        )
        rows.append(Row(code, found, cleared))
        cells.append(
            {
                "code": code,
                "sensitivity": found.cell,
                "specificity": cleared.cell,
                "findings": str(tally["interpretable"]),
                "known": str(tally["verified"]),
            }
        )
    if not any(row.sensitivity.n or row.specificity.n for row in rows):
        return ""
    name = f"{maneuver.name}, {condition.name}"
    figure = forest(
        rows,
        f"examiners-{condition.code}-{maneuver.code}",
        caption=f"{name}: each examiner's own figures, in the order of codes drawn for this report. Not a ranking.",
        alt=f"Forest plot by examiner code for {name}: " + "; ".join(_said(row) for row in rows) + ".",
    )
    return f"### {maneuver.name}\n\n{figure}\n{table(pl.DataFrame(cells), _COLUMNS, caption=f'{name}, by examiner')}"


def _said(row: Row) -> str:
    return f"{row.name} sensitivity {row.sensitivity.spoken}, specificity {row.specificity.spoken}"


def _room(places: Sequence[str]) -> int:
    room = 1
    for place in places:
        room *= len(place)
    return room
