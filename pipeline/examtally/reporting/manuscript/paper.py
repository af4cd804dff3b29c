"""What the manuscript of a study reads: its results folder, the catalogue with its index tests, and the words."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Catalogue, Condition
from examtally.contracts.study.study import Study
from examtally.reporting.engine.layout import Layout
from examtally.reporting.engine.numbers import listed
from examtally.reporting.engine.project import given
from examtally.reporting.engine.renderer import render
from examtally.reporting.engine.wording import Wording, inside_sentence, read_wording, speak_of
from examtally.results import Results
from examtally.studies import StudyResults, read_study
from examtally.studies.described import group_orders

TO_COMPLETE = "[author to complete]"
NOT_STATED = "*not stated*"
EXPLORATORY_MARK = " †"
EXPLORATORY_NOTE = "† Exploratory: added or changed after the lock."
_UNKNOWN = "unknown"
_WITH_ARTICLE = re.compile(r"\b(test|sign|maneuver|rule)\b", re.I)
_NAMED = re.compile(r"\S+['’]s?\s")  # McMurray's test
_BANDED = {"age_band": ("participants", "age_years"), "bmi_band": ("participants", "bmi")}
Row = Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class Paper:
    """The results of one study with the words to tell them in; rows about single examiners only where it asks."""

    found: StudyResults
    catalogue: Catalogue
    wording: Wording

    @property
    def study(self) -> Study:
        """The study protocol."""
        return self.found.study

    @property
    def results(self) -> Results:
        """The declared tables."""
        return self.found.results

    @cached_property
    def condition(self) -> Condition | None:
        """The target condition; None where agreement alone is studied."""
        target = self.study.selection.target
        return self.catalogue.conditions[target.condition] if target else None

    @cached_property
    def condition_name(self) -> str:
        """The target condition within a sentence, with the degrees that count as present where not all do."""
        if self.condition is None:
            return "the condition"
        name, degrees = inside_sentence(self.condition.name), self.degrees
        if not degrees:
            return name
        *before, noun = degrees[0].split(" ")
        if before and len(degrees) == 1 and name.endswith(f" {noun}"):
            return f"{' '.join(before)} {name}"  # complete tear of a ligament tear
        return f"{name} ({listed([one.split(':')[0] for one in degrees], 'or')})"

    @cached_property
    def degrees(self) -> tuple[str, ...]:
        """The degrees of the condition that alone count as present; none where all do."""
        target = self.study.selection.target
        if target is None or self.condition is None:
            return ()
        chosen = tuple(one.label for one in self.condition.severity if one.code in target.severity)
        return chosen if len(chosen) < len(self.condition.severity) else ()

    def rows(self, table: str, **equal: object) -> list[Row]:
        """Rows of a table with these values, in its order; none where the study has no such table."""
        frame = self.results.tables.get(table)
        if frame is None:
            return []
        return list(frame.filter(*(pl.col(name) == value for name, value in equal.items())).iter_rows(named=True))

    def test_name(self, code: str) -> str:
        """An index test as the protocol titles it; a difference of two as such."""
        return " minus ".join(self.catalogue.maneuvers[part].name for part in code.split(" minus "))

    def test_inside(self, code: str) -> str:
        """The same within a sentence: names of people keep their capital."""
        return " minus ".join(self._inside(self.catalogue.maneuvers[part].name) for part in code.split(" minus "))

    def the_test(self, code: str) -> str:
        """The same with the article that a test or a sign takes."""
        name = self.test_inside(code)
        return f"the {name}" if _WITH_ARTICLE.search(name) and not _NAMED.match(name) else name

    def _inside(self, name: str) -> str:
        is_named = _NAMED.match(name) or name.split(" ")[0] in self.catalogue.proper_names
        return name if is_named else inside_sentence(name)

    def grouping_name(self, group_by: str) -> str:
        """What groups are made by, within a sentence."""
        return inside_sentence(self.wording.word("group_by", group_by))

    def group_name(self, group: str) -> str:
        """A group in words."""
        return "everybody" if group == "all" else self.wording.word("group", group)

    def unit_of(self, group_by: str) -> str:
        """The unit that the bands of a grouping are in; nothing where it has none."""
        own = self.study.base.catalogue.groupings.get(group_by)
        table, column = ("exams", own.column) if own else _BANDED.get(group_by, ("", ""))
        return (self.study.base.tables[table].field(column).unit or "") if table else ""

    def level_name(self, group_by: str, group: str) -> str:
        """A group in words that stand alone: a band of numbers with what it is of and its unit."""
        unit = self.unit_of(group_by)
        name = self.group_name(group)
        return f"{self.grouping_name(group_by)} {name} {unit}" if unit and group != _UNKNOWN else name

    @cached_property
    def _orders(self) -> Mapping[str, tuple[str, ...]]:
        return group_orders(self.study)

    def place(self, group_by: str, group: str) -> tuple[int, str]:
        """Where a group stands among those of its grouping; what is not recorded stands last."""
        order = self._orders.get(group_by, ())
        if group in order:
            return (order.index(group), group)
        return (len(order) + (group == _UNKNOWN), group)

    def modality_name(self, code: str) -> str:
        """A modality of the reference standard within a sentence."""
        known = self.catalogue.modalities.get(code)
        return known.label if known else code.replace("_", " ")

    @cached_property
    def is_mixed(self) -> bool:
        """Whether some analyses are pre-specified and others are not, so that exceptions are marked."""
        return len({line["status"] for line in self.rows("study_analyses")}) > 1

    def mark(self, line: Row) -> str:
        """The mark of an exploratory row where others are pre-specified; nothing where all are alike."""
        return EXPLORATORY_MARK if self.is_mixed and line["status"] == "exploratory" else ""

    def noted(self, caption: str, lines: Sequence[Row]) -> str:
        """A caption with what the mark means, where a row has it."""
        return f"{caption}. {EXPLORATORY_NOTE}" if any(self.mark(line) for line in lines) else caption

    def described(self, item: str) -> list[Row]:
        """The rows of one item of the description."""
        return self.rows("study_description", item=item)

    def has_kind(self, kind: str) -> bool:
        """Whether an analysis is of this kind."""
        return any(one.kind == kind for one in self.study.analyses)

    def used_tests(self) -> tuple[str, ...]:
        """Index tests that an analysis names, in the order of the protocol."""
        named = {test for one in self.study.analyses for test in one.tests}
        return tuple(test.code for test in self.study.selection.tests if test.code in named)


def open_paper(folder: Path | str = "results", reports_dir: Path = Path()) -> Paper:
    """Read what the cells of the manuscript need; they run in the folder of the reports."""
    found = read_study(given(folder))
    contract = found.study.contract
    speak_of(contract.catalogue.noun)
    return Paper(found, contract.catalogue, read_wording(reports_dir))


def render_study(
    results_dir: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    source: Path | None = None,
    style: Path | None = None,
    for_review: bool = False,
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the manuscript of a study as `study.<format>`; return the pages written, in the order of `formats`.

    `style` is a citation style, a CSL file; `for_review` sets the Word document in double spacing with numbered lines.
    Raises StudyError where the folder is not of a study, ReportError where its counts do not add up or the page cannot
    be made; nothing is written then.
    """
    read_study(results_dir)
    if progress is not None:
        progress("rendering the manuscript")
    layout = Layout(style, for_review=for_review)
    return render("study", results_dir, out_dir, formats=formats, source=source, layout=layout)
