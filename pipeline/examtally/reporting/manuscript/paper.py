"""What the manuscript of a study reads: its results folder, the catalogue with its index tests, and the words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Catalogue, Condition
from examtally.contracts.study.study import Study
from examtally.reporting.engine.project import given
from examtally.reporting.engine.renderer import render
from examtally.reporting.engine.wording import Wording, inside_sentence, read_wording, speak_of
from examtally.results import Results
from examtally.studies import StudyResults, read_study

TO_COMPLETE = "[author to complete]"
NOT_STATED = "*not stated*"
_LABELS = {"prespecified": "pre-specified", "exploratory": "exploratory"}
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

    @property
    def condition_name(self) -> str:
        """The target condition within a sentence."""
        return inside_sentence(self.condition.name) if self.condition else "the condition"

    def rows(self, table: str, **equal: object) -> list[Row]:
        """Rows of a table with these values, in its order; none where the study has no such table."""
        frame = self.results.tables.get(table)
        if frame is None:
            return []
        return list(frame.filter(*(pl.col(name) == value for name, value in equal.items())).iter_rows(named=True))

    def test_name(self, code: str) -> str:
        """An index test as the protocol titles it; a difference of two as such."""
        return " minus ".join(self.catalogue.maneuvers[part].name for part in code.split(" minus "))

    def grouping_name(self, group_by: str) -> str:
        """What groups are made by, within a sentence."""
        return inside_sentence(self.wording.word("group_by", group_by))

    def group_name(self, group: str) -> str:
        """A group in words."""
        return "everybody" if group == "all" else self.wording.word("group", group)

    def used_tests(self) -> tuple[str, ...]:
        """Index tests that an analysis names, in the order of the protocol."""
        named = {test for one in self.study.analyses for test in one.tests}
        return tuple(test.code for test in self.study.selection.tests if test.code in named)


def label(status: str) -> str:
    """How a row stands to the lock, in words."""
    return _LABELS[status]


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
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the manuscript of a study as `study.<format>`; return the pages written, in the order of `formats`.

    Raises StudyError where the folder is not of a study, ReportError where its counts do not add up or the page cannot
    be made; nothing is written then.
    """
    read_study(results_dir)
    if progress is not None:
        progress("rendering the manuscript")
    return render("study", results_dir, out_dir, formats=formats, source=source)
