"""What sensitivity and specificity would be under other choices than those of the main analysis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import count, counted, listed, percent, percent_range, points
from examtally.reporting.engine.tables import Column, details, download, table, tabs
from examtally.reporting.engine.wording import inside_sentence

MOVED = 0.05  # change of a figure from which on it is said in words
_COLUMNS = (
    Column("choice", "Choice"),
    Column("sensitivity", "figure", "Sensitivity"),
    Column("sensitivity_change", "points", "Sensitivity"),
    Column("specificity", "figure", "Specificity"),
    Column("specificity_change", "points", "Specificity"),
)


@dataclass(frozen=True)
class Choice:
    """One figure under one other choice; `is_shown` is false where too few people are left."""

    scenario: str
    measure: str
    value: float | None
    low: float | None
    high: float | None
    n: int
    change: float | None
    is_shown: bool

    @classmethod
    def of(cls, row: Mapping[str, Any], fewest: int) -> Choice:
        """Read a row of the table `sensitivity_analyses`."""
        is_shown = row["estimate"] is not None and row["flag"] != "too_few" and row["n"] >= fewest
        return cls(
            row["scenario"], row["measure"], row["estimate"], row["ci_low"], row["ci_high"], row["n"],
            row["difference"], is_shown,
        )  # fmt: skip

    @property
    def moves(self) -> bool:
        """Whether it changes the figure by the margin or more."""
        return self.is_shown and self.change is not None and abs(self.change) >= MOVED

    @property
    def cell(self) -> str:
        """The figure, its limits and the knees."""
        if not self.is_shown:
            return f"too few\n{counted(self.n, '«noun»')}" if self.n else "–"
        return f"{percent(self.value)}\n{percent_range(self.low, self.high)}\n{count(self.n)}"


@dataclass(frozen=True)
class Moved:
    """A main maneuver with its figures in the main analysis and under every other choice."""

    condition: Condition
    maneuver: Maneuver
    main: Mapping[str, Estimate]
    choices: Mapping[tuple[str, str], Choice]

    def moving(self, measure: str) -> list[Choice]:
        """Choices that move a measure, the largest move first."""
        found = [choice for (_, of), choice in self.choices.items() if of == measure and choice.moves]
        return sorted(found, key=lambda choice: -abs(choice.change or 0.0))


def section(audit: Audit) -> str:
    """What moves, in words; then every choice by condition; then what the choices are."""
    found = [item for condition in audit.reportable if condition.core for item in _core(audit, condition)]
    if not found:
        return "Too few verified «nouns» to try other choices."
    panels = [
        f"### {condition.name}\n{_tables(audit, [item for item in found if item.condition is condition])}"
        for condition in dict.fromkeys(item.condition for item in found)
    ]
    meanings = details("What each choice is", _meanings(audit))
    return "\n\n".join([_opening(found), _words(audit, found), tabs(panels), meanings])


def _core(audit: Audit, condition: Condition) -> list[Moved]:
    items = []
    for maneuver in audit.core_maneuvers(condition):
        rows = audit.table("sensitivity_analyses").filter(
            condition=condition.code, maneuver=maneuver.code, group_by="overall"
        )
        main = {measure: audit.estimate(condition.code, maneuver.code, measure) for measure in BOTH}
        choices = [Choice.of(row, audit.min_participants) for row in rows.iter_rows(named=True)]
        if choices and all(figure.is_usable for figure in main.values()):
            by_place = {(choice.scenario, choice.measure): choice for choice in choices}
            items.append(Moved(condition, maneuver, main, by_place))
    return items


def _opening(found: list[Moved]) -> str:
    """How many figures move at all."""
    figures = [(item, measure) for item in found for measure in BOTH]
    moving = sum(bool(item.moving(measure)) for item, measure in figures)
    margin = f"{MOVED * 100:.0f} points or more"
    if not moving:
        return (
            f"None of the {len(figures)} figures moves by {margin} under any other choice that leaves enough «nouns»."
        )
    return (
        f"{moving} of {len(figures)} figures move by {margin} under at least one other choice. A choice that leaves "
        "few «nouns» can move a figure by chance alone: look at its interval."
    )


def _words(audit: Audit, found: list[Moved]) -> str:
    lines = []
    for item in found:
        parts = [text for measure in BOTH if (text := _moves(audit, item, measure))]
        if parts:
            lines.append(f"- **{item.maneuver.name}** ({inside_sentence(item.condition.name)}): {' '.join(parts)}")
    return "\n".join(lines)


def _moves(audit: Audit, item: Moved, measure: str) -> str:
    """One measure, and what it would be."""
    choices = item.moving(measure)
    if not choices:
        return ""
    main = item.main[measure]
    said = [
        f"{percent(choice.value)} with *{_name(audit, choice.scenario)}* ({counted(choice.n, '«noun»')})"
        for choice in choices
    ]
    return f"{measure.capitalize()}, {main.number} in {counted(main.n, '«noun»')}, would be {listed(said)}."


def _tables(audit: Audit, items: list[Moved]) -> str:
    rows = []
    for item in items:
        first = {measure: item.main[measure].cell for measure in BOTH}
        rows.append({"maneuver": item.maneuver.name, "choice": "main analysis", **first})
        for scenario in _scenarios(audit):
            cells: dict[str, str] = {}
            for measure in BOTH:
                choice = item.choices.get((scenario, measure))
                cells[measure] = choice.cell if choice else "–"
                cells[f"{measure}_change"] = points(choice.change) if choice and choice.is_shown else "–"
            rows.append({"maneuver": item.maneuver.name, "choice": _name(audit, scenario), **cells})
    condition = items[0].condition
    level = percent(audit.protocol.intervals.level)
    caption = f"{condition.name} under other choices: {level} interval and «nouns» beneath, change in percentage points"
    frame = pl.DataFrame(rows, infer_schema_length=None)
    codes = [item.maneuver.code for item in items]
    figures = audit.table("sensitivity_analyses").filter(pl.col("maneuver").is_in(codes), condition=condition.code)
    shown = figures.filter(pl.col("n") >= audit.min_participants, pl.col("estimate").is_not_null()).select(
        "maneuver", "scenario", "measure", "estimate", "ci_low", "ci_high", "n", "events", "difference"
    )
    text = table(frame, _COLUMNS, caption=caption, group="maneuver")
    return text + download(shown, f"choices-{condition.code}")


def _meanings(audit: Audit) -> str:
    lines = [f"- *{_name(audit, code)}*: {audit.wording.word('scenario_meaning', code)}" for code in _scenarios(audit)]
    return "\n" + "\n".join(lines) + "\n"


def _scenarios(audit: Audit) -> list[str]:
    """Every scenario in the order of its words."""
    return list(audit.wording.words["scenario"])


def _name(audit: Audit, scenario: str) -> str:
    return audit.wording.word("scenario", scenario)
