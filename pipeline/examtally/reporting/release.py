"""The page of a release: what may leave the group, in whole figures."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Catalogue, Condition
from examtally.contracts.contract import DEFAULT_JOINT, kept_contract
from examtally.disclosure.folder import Release, read_release
from examtally.disclosure.tables import Row
from examtally.errors import ReportError
from examtally.reporting.engine.aims import AIMS
from examtally.reporting.engine.numbers import percent, percent_range, ratio, ratio_range
from examtally.reporting.engine.project import given
from examtally.reporting.engine.tables import Column, table, tabs
from examtally.reporting.engine.wording import Wording, read_wording, speak_of
from examtally.reporting.plain import box

_LENT = "catalogue.json"
_RATIOS = ("lr_positive", "lr_negative")
_SHARES = ("sensitivity", "specificity")
_TOLD_BY = {"bias_adjusted": "all examined «nouns»"} | {one: AIMS[one].name for one in ("none", "verification")}
_COUNTS = {"sensitivity": ("tp", "fn"), "specificity": ("tn", "fp")}
_COLUMNS = (
    Column("what", "Maneuver"),
    Column("figures", "Figures", words=True),
    Column("sensitivity", "Sensitivity"),
    Column("specificity", "Specificity"),
    Column("lr_positive", "if positive", "Likelihood ratio"),
    Column("lr_negative", "if negative", "Likelihood ratio"),
)
_AGREEMENT = (
    Column("what", "Maneuver"),
    Column("observed_agreement", "Agreed"),
    Column("gwet_ac1", "Beyond chance (AC1)"),
)
_SPREAD = (
    Column("what", "Maneuver"),
    Column("measure", "Figure", words=True),
    Column("mean", "Middle of the examiners"),
    Column("predicted", "A new examiner"),
)


@dataclass(frozen=True, eq=False)
class ReleasePage:
    """A release with the words to tell it in."""

    release: Release
    catalogue: Catalogue
    wording: Wording

    @cached_property
    def figures(self) -> Mapping[tuple[Row, str, str], Mapping[str, Any]]:
        """Figures by table, adjustment and measure."""
        lines = self.release.figures["accuracy"].iter_rows(named=True)
        return {
            (
                Row(line["condition"], line["maneuver"], line["group_by"], line["group"]),
                line["adjustment"],
                line["measure"],
            ): line
            for line in lines
        }

    @cached_property
    def reportable(self) -> tuple[Condition, ...]:
        """Conditions of which any figure of everybody is shown."""
        seen = {row.condition for row, _, _ in self.figures if row == row.whole}
        return tuple(item for code, item in self.catalogue.conditions.items() if code in seen)

    def rows(self, condition: str, group_by: str = "overall") -> list[Row]:
        """The tables of a condition in catalogue and reading order."""
        order = {code: place for place, code in enumerate(self.catalogue.maneuvers)}
        found = [row for row in self.release.shown.counts if row.condition == condition and row.group_by == group_by]
        return sorted(found, key=lambda row: (order[row.maneuver], row.group == "unknown", row.group))


def lend_catalogue(folder: Path, kept: Mapping[str, str]) -> Path:
    """Lay beside a release, while its page is made, the words of its catalogue; a group's own never go out with it."""
    (folder / _LENT).write_text(json.dumps(dict(kept)), encoding="utf-8")
    return folder


def open_release(folder: Path | str = "results", reports_dir: Path = Path()) -> ReleasePage:
    """Read what the cells of the report need; raises ReportError where the words of its catalogue are not at hand."""
    place = given(folder)
    release = read_release(place)
    kept = release.about.get("catalogue", {})
    if (place / _LENT).is_file():
        kept = json.loads((place / _LENT).read_text(encoding="utf-8"))
    catalogue = kept_contract(kept.get("joint", DEFAULT_JOINT), kept.get("local", "")).catalogue
    if kept.get("hash", catalogue.hash) != catalogue.hash:
        raise ReportError("the release was made under another catalogue; make its page where it was made")
    speak_of(catalogue.noun)
    return ReleasePage(release, catalogue, read_wording(reports_dir))


def opening(page: ReleasePage) -> str:
    """What this is and what is not in it."""
    words = (
        "Every count stands for 11 people or more. A table in which one would not is left out whole, and so is "
        "whatever would give it away; nothing can be concluded from its absence. Percentages are whole. No figure is "
        "about one examiner, and none may be used to look for a person."
    )
    status = {
        "prespecified": "The analysis was written down before its results were seen.",
        "exploratory": "The analysis was not written down beforehand: it is exploratory.",
    }[str(page.release.about["analysis_status"])]
    return f"{words} {status}\n{box(page.wording.caution, 'caution')}"


def accuracy(page: ReleasePage) -> str:
    """A table for each condition that has a figure to show."""
    if not page.reportable:
        return "Too few verified patients: no figure can be released yet."
    return "\n".join(_block(page, condition) for condition in page.reportable)


def groups(page: ReleasePage) -> str:
    """Smaller groups of those conditions, where a figure may be shown."""
    panels = []
    for condition in page.reportable:
        groupings = dict.fromkeys(row.group_by for row in page.release.shown.counts if row != row.whole)
        inner = [text for group_by in groupings if (text := _by_group(page, condition, group_by))]
        if inner:
            panels.append(f"### {condition.name}\n" + "\n".join(inner))
    return tabs(panels) if panels else "No smaller group is large enough."


def agreement(page: ReleasePage) -> str:
    """How often two examiners found the same."""
    frame = page.release.figures.get("agreement", pl.DataFrame())
    rows: dict[str, dict[str, str]] = {}
    for line in frame.iter_rows(named=True):
        name = page.catalogue.maneuvers[line["maneuver"]].name
        cell = f"{percent(line['estimate'])}\n{percent_range(line['ci_low'], line['ci_high'])}"
        if line["statistic"] == "gwet_ac1":
            cell = f"{line['estimate']:.2f}"
        rows.setdefault(name, {"what": name})[line["statistic"]] = cell
    if not rows:
        return "Too few pairs of exams to say how often two examiners agree."
    filled = [{column.key: row.get(column.key, "") for column in _AGREEMENT} for row in rows.values()]
    note = "AC1 is agreement beyond what chance would bring: 1 is always, 0 is no more than chance."
    return f"{note}\n{table(pl.DataFrame(filled), _AGREEMENT, caption='How often two examiners found the same')}"


def variation(page: ReleasePage) -> str:
    """How far examiners differ, without any of them."""
    frame = page.release.figures.get("examiner_spread", pl.DataFrame())
    rows = [
        {
            "what": page.catalogue.maneuvers[line["maneuver"]].name,
            "measure": f"{line['measure']}, {page.catalogue.conditions[line['condition']].name.lower()}",
            "mean": f"{percent(line['mean'])}\n{percent_range(line['ci_low'], line['ci_high'])}",
            "predicted": percent_range(line["predict_low"], line["predict_high"]),
        }
        for line in frame.iter_rows(named=True)
    ]
    if not rows:
        return "Too few examiners to say how far they differ."
    (adjustment,) = frame["adjustment"].unique()
    told_by = _TOLD_BY[adjustment.removeprefix("pooled_")]
    return table(pl.DataFrame(rows), _SPREAD, caption=f"How far examiners differ, {told_by}")


def source(page: ReleasePage) -> str:
    """What the figures were made from."""
    about = page.release.about
    rows = [
        {"what": "Fingerprint of the registry", "which": about["registry"]},
        {"what": "Fingerprint of the protocol", "which": about["protocol"]},
    ]
    columns = (Column("what", "What"), Column("which", "Which", words=True))
    return table(pl.DataFrame(rows), columns, caption="Where these figures come from")


def _block(page: ReleasePage, condition: Condition) -> str:
    lines = [
        _line(page, row, adjustment, page.catalogue.maneuvers[row.maneuver].name)
        for row in page.rows(condition.code)
        for adjustment in _TOLD_BY
        if adjustment == "none" or any((row, adjustment, measure) in page.figures for measure in _SHARES)
    ]
    caption = f"{condition.name}: accuracy of each maneuver, with intervals and counts"
    return f"### {condition.name}\n\n{condition.plain}\n{table(pl.DataFrame(lines), _COLUMNS, caption=caption)}"


def _by_group(page: ReleasePage, condition: Condition, group_by: str) -> str:
    shown = page.rows(condition.code, group_by)
    if not shown:
        return ""
    lines = [
        _line(page, row, "none", f"{page.catalogue.maneuvers[row.maneuver].name}\n{_group_name(page, row)}")
        for row in shown
    ]
    columns = tuple(column for column in _COLUMNS if column.key != "figures")
    caption = f"{condition.name} by {page.wording.word('group_by', group_by).lower()}, {AIMS['none'].name}"
    return table(pl.DataFrame(lines), columns, caption=caption)


def _group_name(page: ReleasePage, row: Row) -> str:
    return page.wording.word("group", row.group)


def _line(page: ReleasePage, row: Row, adjustment: str, name: str) -> dict[str, str]:
    cells = {measure: _cell(page, row, adjustment, measure) for measure in (*_SHARES, *_RATIOS)}
    return {"what": name, "figures": _TOLD_BY[adjustment]} | cells


def _cell(page: ReleasePage, row: Row, adjustment: str, measure: str) -> str:
    line = page.figures.get((row, adjustment, measure))
    if line is None:
        return ""
    if measure in _RATIOS:
        return f"{ratio(line['estimate'])}\n{ratio_range(line['ci_low'], line['ci_high'])}"
    text = f"{percent(line['estimate'])}\n{percent_range(line['ci_low'], line['ci_high'])}"
    if adjustment != "none":
        return text
    hit, miss = (page.release.shown.counts[row][cell] for cell in _COUNTS[measure])
    return f"{text}\n{hit} of {hit + miss}"
