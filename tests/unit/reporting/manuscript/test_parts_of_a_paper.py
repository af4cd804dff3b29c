"""Parts of a study's paper and of its bundle that need no registry."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from examtally.contracts.study.study import load_study
from examtally.disclosure.folder import Release
from examtally.errors import ProtocolError, ReportError
from examtally.reporting.engine.layout import Layout
from examtally.reporting.engine.wording import read_wording
from examtally.reporting.manuscript.checklist import items, place
from examtally.reporting.manuscript.methods import rule_words
from examtally.reporting.manuscript.paper import Paper
from examtally.reporting.manuscript.statistics import _bands_of_onset
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


STATED = {
    "background": "Little is known.",
    "intended_use": "Before imaging.",
    "harms": "None were seen.",
    "governance": {"registration": "Not registered.", "funding": "None."},
}


def test_what_of_the_checklist_is_empty_is_the_authors() -> None:
    paper = paper_of({**STUDY, **STATED})
    listed = items(resource("reports"))
    assert len(listed) == 34  # 30 items, four of them in two parts
    places = {str(item["item"]): place(item, paper) for item in listed}
    assert [name for name, where in places.items() if where == "author to complete"] == ["27"]
    bare = {str(item["item"]): place(item, paper_of(STUDY)) for item in listed}
    assert [name for name in bare if bare[name] != places[name]] == ["3", "25", "28", "30"]
    assert bare["25"] == "author to complete"
    assert bare["17"] == "none declared"  # groups


def test_a_main_estimate_that_is_no_correction_of_the_study_is_refused() -> None:
    assert load_study(STUDY).main == "bias_adjusted"
    assert load_study({**STUDY, "adjustments": ["verification", "none"]}).main == "verification"
    assert load_study({**STUDY, "main": "none"}).main == "none"
    with pytest.raises(ProtocolError, match="'ipw' is not one of the adjustments"):
        load_study({**STUDY, "main": "ipw"})


def test_a_test_is_named_as_a_sentence_has_it() -> None:
    tests = {
        code: {"title": title, "rule": {"maneuver": "lachman"}}
        for code, title in (("plain", "Lachman test, graded"), ("other", "McMurray's test"), ("third", "Tenderness"))
    }
    paper = paper_of({**STUDY, "tests": tests, "primary": [{"name": "a", "kind": "accuracy", "tests": [*tests]}]})
    told = [paper.the_test(code) for code in tests]
    assert told == ["the Lachman test, graded", "McMurray's test", "tenderness"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("<html/>", "is not a citation style"),
        ("no xml", "is not a citation style"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><a/>', "is not a citation style"),
        ('<style xmlns="http://purl.org/net/xbiblio/csl"><info/></style>', "depends on another style"),
    ],
)
def test_what_is_no_citation_style_is_refused(content: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "own.csl"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(ReportError, match=f"own.csl: {said}"):
        Layout(path).place_style(tmp_path)
    with pytest.raises(ReportError, match="cannot be read"):
        Layout(tmp_path / "none.csl").place_style(tmp_path)


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
    assert compare(released(20), released(20)) == ({"counts": 4}, [])
    compared, (one,) = compare(released(20), released(None))
    assert (compared, one.column, one.was, one.is_now) == ({"counts": 4}, "tp", 20, None)


def test_what_explains_a_difference_is_what_the_log_says() -> None:
    _, found = compare(released(20), released(31))
    since = {"erase": 2, "ingest": 1}
    four = {"counts": 4}
    text = Reproduction(four, tuple(found), ("the paper.",), False, since, ()).text()
    assert "4 released figures compared (counts 4): 1 differ." in text
    assert text.endswith("Not checked: the paper.")
    assert "counts: c, m, overall, all, tp: 20 -> 31" in text
    assert "2 people were erased after a withdrawal; 1 batch was ingested" in text
    assert "run `examtally verify`" in Reproduction(four, tuple(found), (), False, {}, ()).text()
    assert "versions differ: numpy" in Reproduction(four, tuple(found), (), True, {}, ("numpy",)).text()


def test_bands_of_time_since_onset_are_told_in_days() -> None:
    groups, one = SimpleNamespace(acuity=(21, 84)), SimpleNamespace(group_by="acuity")
    study = SimpleNamespace(analyses=(one,), subgroups=(), protocol=SimpleNamespace(groups=groups))
    assert "Acute means up to 21 days since onset, subacute 22 to 84" in _bands_of_onset(SimpleNamespace(study=study))
    study.analyses = (SimpleNamespace(group_by=None),)
    assert _bands_of_onset(SimpleNamespace(study=study)) == ""
