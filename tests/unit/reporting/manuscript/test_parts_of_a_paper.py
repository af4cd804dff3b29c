"""Parts of a study's paper and of its bundle that need no registry."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
import yaml

from examtally.contracts.study.study import load_study
from examtally.disclosure.folder import Release
from examtally.reporting.engine.wording import read_wording
from examtally.reporting.manuscript.checklist import ITEMS, checklist
from examtally.reporting.manuscript.methods import rule_words
from examtally.reporting.manuscript.paper import Paper
from examtally.reporting.manuscript.values import agreement_value, value_words
from examtally.resources import resource
from examtally.results import Results
from examtally.results.results import Provenance
from examtally.studies.lock_status import lock_status
from examtally.studies.reproducing import Reproduction, compare
from examtally.studies.running import StudyResults

STUDY: dict[str, Any] = {
    "study": "parts",
    "title": "Parts",
    "tests": {
        "plain": {"title": "Plain", "rule": {"maneuver": "lachman"}},
        "graded": {"title": "Graded", "rule": {"maneuver": "lachman", "grade_at_least": 2}},
        "either": {"title": "Either", "rule": {"any_of": [{"test": "plain"}, {"test": "graded"}]}},
    },
    "target": {"condition": "acl_tear"},
    "primary": [{"name": "main", "kind": "accuracy", "tests": ["plain", "graded", "either"]}],
}


def paper_of(study: dict[str, Any]) -> Paper:
    read = load_study(study)
    stands = lock_status(read, ())
    results = Results({}, Provenance("r", {}, "p", 1, {}))
    contract = read.contract
    return Paper(StudyResults(read, stands, results, 0), contract.catalogue, read_wording(resource("reports")))


def test_a_rule_is_told_in_words() -> None:
    paper = paper_of(STUDY)
    told = {test.code: rule_words(test.rule, paper) for test in paper.study.selection.tests}
    assert told["plain"].endswith("is recorded as positive")
    assert told["graded"].endswith("a grade of at least 2")
    assert told["either"] == f"{told['plain']} or {told['graded']}"


def test_the_checklist_has_every_item_and_asks_the_author_for_the_rest() -> None:
    items = yaml.safe_load((resource("reports") / ITEMS).read_text(encoding="utf-8"))["items"]
    assert len(items) == 34  # 30 items, four of them in two parts
    text = checklist(paper_of(STUDY), resource("reports"))
    assert "author to complete" in text
    assert "none declared" in text  # groups
    assert "Results, Harms" not in text
    assert "Results, Harms" in checklist(paper_of({**STUDY, "harms": "None were seen."}), resource("reports"))


@pytest.mark.parametrize(("people", "said"), [(9, "too few to estimate"), (10, "80% (70–90%)")])
def test_agreement_of_too_few_people_is_no_figure(people: int, said: str) -> None:
    line = {"statistic": "observed_agreement", "estimate": 0.8, "ci_low": 0.7, "ci_high": 0.9, "participants": people}
    assert agreement_value(line, 10) == said


def test_a_figure_of_too_few_is_no_figure() -> None:
    line = {"measure": "sensitivity", "estimate": 0.8, "ci_low": 0.7, "ci_high": 0.9, "flag": "too_few"}
    assert value_words(line) == "too few to estimate"


def released(tp: int | None) -> Release:
    key = {"condition": "c", "maneuver": "m", "group_by": "overall", "group": "all"}
    counts = pl.DataFrame([{**key, "tp": tp, "fn": 12, "fp": 13, "tn": 14}], schema_overrides={"tp": pl.Int64})
    return Release({}, counts, {}, pl.DataFrame())


def test_only_what_differs_is_named() -> None:
    assert compare(released(20), released(20)) == (4, [])
    compared, (one,) = compare(released(20), released(None))
    assert (compared, one.column, one.was, one.is_now) == (4, "tp", 20, None)


def test_what_explains_a_difference_is_what_the_log_says() -> None:
    _, found = compare(released(20), released(31))
    since = {"erase": 2, "ingest": 1}
    text = Reproduction(4, tuple(found), False, since, ()).text()
    assert "counts: c, m, overall, all, tp: 20 -> 31" in text
    assert "2 people were erased after a withdrawal; 1 batch was ingested" in text
    assert "run `examtally verify`" in Reproduction(4, tuple(found), False, {}, ()).text()
    assert "versions differ: numpy" in Reproduction(4, tuple(found), True, {}, ("numpy",)).text()
