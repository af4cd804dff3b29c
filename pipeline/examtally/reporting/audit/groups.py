"""The leading figures in smaller groups of exams, and sensitivity by how severe the condition is."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import figure_cells
from examtally.reporting.engine.aims import LEADING
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import counted, listed
from examtally.reporting.engine.tables import Column, download, table, tabs
from examtally.reporting.engine.wording import inside_sentence

_OF_EXAMINERS = frozenset({"role", "setting", "site"})
_FEWEST_EXAMINERS = 3
_CELLS = ("tp", "fp", "fn", "tn")
_BEGINS = tuple("0123456789<>")  # a cell with a figure; any other says why it has none
CAUTION = (
    f"Main maneuvers only, and exploratory: many groups are looked at, so some differ by chance. {LEADING} A role, "
    f"setting or site with fewer than {_FEWEST_EXAMINERS} examiners is merged with others; it and groups with too few "
    "patients show no figure."
)
_SEVERITY = (
    "A test may find a severe injury and miss a mild one; the sensitivity above mixes them. The grade is the one that "
    "imaging or surgery gave. Who was imaged and the errors of the tests are allowed for as above."
)
_COLUMNS = (
    Column("group", "Group"),
    Column("sensitivity", "Sensitivity"),
    Column("specificity", "Specificity"),
    Column("lr_positive", "if positive", "Likelihood ratio"),
    Column("lr_negative", "if negative", "Likelihood ratio"),
)


def section(audit: Audit) -> str:
    """Every condition with figures to show, under the sentence that says how to take them."""
    panels = [
        f"### {condition.name}\n{inner}" for condition in audit.reportable if (inner := group_tabs(audit, condition))
    ]
    if not panels:
        return "Too few verified «nouns» to analyze groups separately."
    return f"{CAUTION}\n\n{tabs(panels, depth=1)}"


def by_severity(audit: Audit, condition: Condition) -> str:
    """A table of sensitivity by grade of the condition; nothing where no grade has a figure."""
    rows = audit.table("accuracy").filter(
        condition=condition.code, group_by="severity", measure="sensitivity", adjustment="bias_adjusted"
    )
    if rows.filter(pl.col("estimate").is_not_null()).is_empty():
        return ""
    found = {(row["maneuver"], row["group"]): row for row in rows.iter_rows(named=True)}
    graded = [grade for grade in condition.severity if any(group == grade.code for _, group in found)]
    told = {group for (_, group), row in found.items() if row["estimate"] is not None}
    grades = [grade for grade in graded if grade.code in told]
    few = [grade.label for grade in graded if grade not in grades]
    rest = f"\nToo few graded for a figure: {'; '.join(few)}.\n" if few else ""
    lines = [
        {"maneuver": maneuver.name} | {grade.code: _graded(found.get((maneuver.code, grade.code))) for grade in grades}
        for maneuver in audit.maneuvers(condition)
        if any((maneuver.code, grade.code) in found for grade in grades)
    ]
    columns = (Column("maneuver", "Maneuver"), *(Column(one.code, one.label, "Sensitivity") for one in grades))
    caption = f"{condition.name}: sensitivity by severity"
    kept = rows.select("maneuver", "group", "estimate", "ci_low", "ci_high", "n", "note")
    shown = table(pl.DataFrame(lines), columns, caption=caption)
    return f"{_SEVERITY}\n{shown}{download(kept, f'severity-{condition.code}')}{rest}"


def group_tabs(audit: Audit, condition: Condition) -> str:
    """Tabs by grouping, each a table of the condition's main maneuvers in every group."""
    found = {group_by: _table(audit, condition, group_by) for group_by in _groupings(audit, condition)}
    names = {group_by: audit.wording.word("group_by", group_by) for group_by in found}
    panels = [f"### {names[group_by]}\n{text}" for group_by, text in found.items() if text]
    if not panels:
        return ""
    empty = listed([inside_sentence(names[group_by]) for group_by, text in found.items() if not text], "or")
    without = f"\nNo group by {empty} has a figure: too few, or withheld.\n" if empty else ""
    return tabs(panels) + without + _download(audit, condition)


def _groupings(audit: Audit, condition: Condition) -> tuple[str, ...]:
    """The groupings that have a tab; none by a column in which the condition itself is stated."""
    catalogue = audit.catalogue
    coded = (name for name in catalogue.coded if catalogue.groupings[name].column not in condition.stated_in)
    return ("role", "setting", "acuity", "sex", "age_band", *coded, "guarding", "site", "period")


def _table(audit: Audit, condition: Condition, group_by: str) -> str:
    """The groups with a figure, and the others in a sentence beneath; empty where none has one."""
    rows = _all_rows(audit, condition, group_by)
    shown = [row for row in rows if _figures(row)]
    if not shown:
        return ""
    told = {name for row in shown for name in _figures(row)}
    columns = [column for column in _COLUMNS if column.key in {"group", *told}]
    empty = [row for row in rows if not _figures(row)]
    others = dict.fromkeys(inside_sentence(row["group"].replace("\n", ", ")) for row in empty)
    is_one = len({row["maneuver"] for row in rows}) == 1
    of_some = "" if is_one else " for a maneuver or more"
    caption = f"{condition.name} by {audit.wording.word('group_by', group_by).lower()} (exploratory)"
    text = table(pl.DataFrame(shown), columns, caption=caption, group="maneuver")
    return text + (f"\nToo few, or withheld{of_some}: {'; '.join(others)}.\n" if empty else "")


def _figures(row: Mapping[str, str]) -> list[str]:
    """The columns of a row that hold a figure."""
    return [column.key for column in _COLUMNS[1:] if row[column.key].startswith(_BEGINS)]


def _all_rows(audit: Audit, condition: Condition, group_by: str) -> list[dict[str, str]]:
    rows = []
    for maneuver in audit.core_maneuvers(condition):
        groups = audit.groups(group_by)
        few = [group for group in groups if _has_few_examiners(audit, group_by, group)]
        for group in groups:
            if group not in few and audit.tally(condition.code, maneuver.code, group_by, group)["verified"]:
                rows.append(_row(audit, condition, maneuver.code, group_by, group))
        if few:
            rows.append(_merged(audit, condition, maneuver.code, group_by, few))
    return rows


def _row(audit: Audit, condition: Condition, maneuver: str, group_by: str, group: str) -> dict[str, str]:
    row = audit.leading_in(condition.code, maneuver, group_by, group)
    cells = figure_cells(row) if row is not None else dict.fromkeys((column.key for column in _COLUMNS[1:]), "too few")
    return {"maneuver": audit.catalogue.maneuvers[maneuver].name, "group": audit.group_name(group_by, group)} | cells


def _merged(audit: Audit, condition: Condition, maneuver: str, group_by: str, few: list[str]) -> dict[str, str]:
    """Groups behind which stand too few examiners, as one row without a figure."""
    tallies = [audit.tally(condition.code, maneuver, group_by, group) for group in few]
    knees = sum(tally[cell] for tally in tallies for cell in _CELLS)
    return {
        "maneuver": audit.catalogue.maneuvers[maneuver].name,
        "group": f"others with fewer than {_FEWEST_EXAMINERS} examiners each, {counted(knees, 'verified «noun»')}",
        **dict.fromkeys((column.key for column in _COLUMNS[1:]), ""),
    }


def _has_few_examiners(audit: Audit, group_by: str, group: str) -> bool:
    return group_by in _OF_EXAMINERS and audit.summed(f"examiners_by_{group_by}", group) < _FEWEST_EXAMINERS


def _download(audit: Audit, condition: Condition) -> str:
    kept = audit.table("leading").filter(
        pl.col("group_by").is_in(_groupings(audit, condition)), condition=condition.code
    )
    return download(kept.drop("condition", "status"), f"groups-{condition.code}")


def _graded(row: dict[str, object] | None) -> str:
    """The figure with its limits and the graded knees; too few where it is withheld."""
    if row is None:
        return ""
    estimate = Estimate.of(row)
    knees = f"{counted(estimate.n, '«noun»')} graded"
    return f"{estimate.pair}\n{knees}" if estimate.is_usable else f"too few\n{knees}"
