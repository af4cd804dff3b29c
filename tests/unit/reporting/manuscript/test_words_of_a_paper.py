"""What a paper says of its target, its groups, its plan and its model, held against the tables it says it from."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from examtally.analytics.diagnostic_accuracy.notes import ONE_EXAMINER
from examtally.contracts.study.study import load_study
from examtally.reporting.engine.wording import read_wording
from examtally.reporting.manuscript import arms, contrasts, examiner_groups, findings, limits, methods, sections
from examtally.reporting.manuscript.checklist import items, place
from examtally.reporting.manuscript.paper import Paper
from examtally.reporting.manuscript.statistics import _model, _p_values
from examtally.reporting.manuscript.title import heading
from examtally.resources import resource
from examtally.results import Results
from examtally.results.results import Provenance
from examtally.studies.lock_status import lock_status
from examtally.studies.running import StudyResults

STUDY: dict[str, Any] = {
    "study": "words",
    "title": "Words",
    "tests": {"plain": {"title": "Plain test", "rule": {"maneuver": "lachman"}}},
    "target": {"condition": "acl_tear"},
    "primary": [
        {"name": "main", "kind": "by_group", "tests": ["plain"], "group_by": "role", "measures": ["specificity"]}
    ],
    "secondary": [
        {"name": "other", "kind": "by_group", "tests": ["plain"], "group_by": "role", "measures": ["sensitivity"]}
    ],
    "planned_size": {"aim": "unpaired", "measure": "specificity", "specificity": 0.85, "difference": 0.1},
}
KEY = {"condition": "acl_tear", "maneuver": "plain", "group_by": "role"}
PAIR = {**KEY, "group_a": "attending", "group_b": "resident"}
GROUPS = ("attending", "resident")
FIGURE = {"flag": None, "note": None, "status": "exploratory", "display": None}


def paper_of(study: dict[str, Any], **tables: list[dict[str, Any]]) -> Paper:
    read = load_study(study)
    frames = {name: pl.DataFrame(rows, infer_schema_length=None) for name, rows in tables.items()}
    results = Results(frames, Provenance("r", {}, "p", 1, {}))
    found = StudyResults(read, lock_status(read, ()), results, 0)
    return Paper(found, read.contract.catalogue, read_wording(resource("reports")))


@pytest.mark.parametrize(
    ("condition", "severity", "said"),
    [
        ("acl_tear", ["complete"], "complete anterior cruciate ligament tear"),
        ("acl_tear", ["complete", "partial"], "anterior cruciate ligament tear"),
        ("acl_tear", None, "anterior cruciate ligament tear"),
        ("mcl_injury", ["grade_2", "grade_3"], "medial collateral ligament injury (grade 2 or grade 3)"),
    ],
)
def test_the_target_is_named_with_the_degrees_that_count(condition: str, severity: list[str] | None, said: str) -> None:
    target = {"condition": condition} | ({"severity": severity} if severity else {})
    paper = paper_of({**STUDY, "target": target})
    assert paper.condition_name == said
    page = heading(paper)
    assert (f"Target condition: {said}" in page) is bool(paper.degrees)


def interaction(n: tuple[int, int], flag: str | None = None, **values: Any) -> dict[str, Any]:
    of = {"estimate_a": 0.81, "estimate_b": 0.78, "difference": 0.03, "ci_low": -0.1, "ci_high": 0.2}
    of |= {"p_value": 0.4, "p_adjusted": 0.4, "test": "examiner_clusters", "adjustment": "bias_adjusted"}
    return {**PAIR, "measure": "specificity", **of, **FIGURE, "n_a": n[0], "n_b": n[1], "flag": flag, **values}


def test_a_group_has_the_figure_of_the_table_of_estimates_where_the_two_cannot_be_compared() -> None:
    own = {**KEY, "measure": "specificity", "adjustment": "bias_adjusted", "ci_low": 0.5, "ci_high": 0.9, **FIGURE}
    accuracy = [
        {**own, "group": "attending", "estimate": 0.73},
        {**own, "group": "resident", "estimate": None, "flag": "withheld"},
    ]
    paper = paper_of(STUDY, interactions=[interaction((24, 8))], accuracy=accuracy)
    told = contrasts.interactions(paper)
    assert "73%" in told
    assert "81%" not in told
    assert "too few to estimate" in told
    assert "81%" in contrasts.interactions(paper_of(STUDY, interactions=[interaction((24, 18))], accuracy=accuracy))


def test_a_group_of_one_examiner_has_no_figure_in_any_table() -> None:
    own = {**KEY, "measure": "specificity", "events": 12, "n": 16, "ci_low": 0.5, "ci_high": 0.9, **FIGURE}
    accuracy = [
        {**own, "group": "attending", "estimate": 0.73, "adjustment": "none"},
        {**own, "group": "resident", "estimate": 0.88, "adjustment": "bias_adjusted"},
        {**own, "group": "resident", "estimate": 0.75, "adjustment": "none", "note": f"{ONE_EXAMINER} More."},
    ]
    hidden = {"estimate_a": None, "estimate_b": None, "difference": None}
    paper = paper_of(STUDY, interactions=[interaction((24, 8), **hidden)], accuracy=accuracy)
    told = findings.estimates(paper) + contrasts.interactions(paper)
    assert "73%" in told
    assert "75%" not in told
    assert "88%" not in told
    assert "Groups of one examiner are left out" in told


def test_both_measures_of_a_comparison_are_given_in_one_way() -> None:
    both = {**STUDY["primary"][0], "measures": ["sensitivity", "specificity"]}
    lines = [
        interaction((24, 18), "withheld", measure="sensitivity", difference=None, note="Too few."),
        interaction((24, 18), measure="sensitivity", adjustment="none", difference=0.07),
        interaction((90, 90), difference=0.01),
        interaction((90, 90), adjustment="none", difference=0.04),
    ]
    paper = paper_of({**STUDY, "primary": [both], "secondary": []}, interactions=lines)
    said = contrasts.interaction_words(paper, both["measures"], ["role"])
    assert said.count("(verified «nouns» only; ") == 2
    assert "+1 (−10 to +20) bias-adjusted" in said
    assert contrasts.is_verified_only(paper)
    alone = paper_of(STUDY, interactions=lines[2:])
    assert "(bias-adjusted; " in contrasts.interaction_words(alone, ["specificity"], ["role"])
    assert not contrasts.is_verified_only(alone)


def test_the_size_names_whose_figure_it_is_and_which_way_a_difference_goes() -> None:
    line = {"measure": "specificity", "group": "all", **FIGURE}
    size = [
        *({**line, "quantity": "in_analysis", "planned": 90.0, "reached": 80.0, "group": g} for g in GROUPS),
        {**line, "quantity": "difference", "planned": 0.15, "reached": -0.07},
        {**line, "quantity": "expected", "planned": 0.85, "reached": 0.74, "group": "resident"},
    ]
    told = limits.planned_and_reached(paper_of(STUDY, study_size=size))
    assert "Specificity (resident)" in told
    assert "points (resident minus attending)" in told
    assert "±15" in told
    assert "−7" in told


def test_the_primary_measure_stands_first() -> None:
    lines = [interaction((90, 90), measure=one) for one in ("sensitivity", "specificity")]
    told = contrasts.interactions(paper_of(STUDY, interactions=lines))
    assert told.index("Specificity") < told.index("Sensitivity")


def test_groups_that_stay_out_of_the_comparison_are_named() -> None:
    cells = dict.fromkeys(("tp", "fp", "fn", "tn", "equivocal", "equivocal_present", "equivocal_absent"), 1)
    cells |= {f"{kind}_{side}": 1 for kind in ("unverified", "indeterminate") for side in ("positive", "negative")}
    counts = {**cells, "positive": 4, "negative": 4, "not_recorded": 0, "exams": 90, "done": 73}
    tallies = [{**KEY, "group": group, **counts} for group in ("attending", "fellow", "resident")]
    paper = paper_of(STUDY, interactions=[interaction((24, 18))], tallies=tallies, cohort_summary=_examiners(3, 2, 3))
    assert "declared between attending and resident" in arms.others_words(paper)
    assert "(fellow, 73 «nouns»)" in arms.others_words(paper)
    two = [line for line in tallies if line["group"] != "fellow"]
    assert arms.others_words(paper_of(STUDY, interactions=[interaction((24, 18))], tallies=two)) == ""


def _examiners(*numbers: int) -> list[dict[str, Any]]:
    groups = ("attending", "fellow", "resident")
    return [
        {"item": "examiners_by_role", "group": group, "value": float(number)}
        for group, number in zip(groups, numbers, strict=True)
    ]


def test_examiners_in_two_groups_are_told() -> None:
    people = [{"item": "examiners", "group": "all", "knees": 9, "present": 4, "absent": 5, "value": 7.0}]
    said = contrasts.behind_words(paper_of(STUDY, cohort_summary=_examiners(3, 2, 3), study_description=people))
    assert "3 (attending), 2 (fellow) and 3 (resident); 1 of them in more than one group" in said
    assert "[before publication: " in said


def way(measure: str, n: tuple[int, int], **values: Any) -> dict[str, Any]:
    of = {"difference": 0.1, "ci_low": -0.2, "ci_high": 0.4, "p_value": 0.4, "least_p_value": None, **FIGURE}
    alike = {"adjusted_for": "severity", "measure": measure, "n_a": n[0], "n_b": n[1]}
    return {**PAIR, **of, **alike, "method": "examiner_clusters", **values}


def test_few_knees_have_no_figure_in_any_way_of_comparing() -> None:
    none = {"difference": None, "ci_low": None, "ci_high": None, "p_value": None, "note": "No model can be fitted."}
    lines = [
        way("sensitivity", (24, 8), difference=0.21),
        way("sensitivity", (24, 8), difference=0.21, method="case_mix"),
        way("specificity", (105, 39)),
        way("specificity", (105, 39), method="case_mix", **none),
    ]
    paper = paper_of(STUDY, study_group_comparisons=lines)
    told = examiner_groups.ways(paper)
    assert "+21" not in told
    assert "+10 (−20 to +40)" in told
    assert "No model can be fitted" in told
    assert examiner_groups.case_mix_words(paper, ("sensitivity", "specificity")) == ""


def test_the_case_mix_is_that_of_the_primary_measure() -> None:
    seen = {
        **PAIR,
        "variable": "sex",
        "level": "female",
        "share_a": 0.5,
        "share_b": 0.4,
        "standardised_difference": 0.2,
    }
    lines = [
        {**seen, "measure": measure, "n_a": n, "n_b": n} for measure, n in (("sensitivity", 24), ("specificity", 39))
    ]
    assert "that specificity counts" in examiner_groups.case_mix(paper_of(STUDY, study_case_mix=lines))


@pytest.mark.parametrize(("lines", "says"), [(0, "No P value is given."), (1, "No P value was adjusted"), (2, "Holm")])
def test_an_adjustment_is_named_where_p_values_were_adjusted(lines: int, says: str) -> None:
    shown = [interaction((90, 90), adjustment="none", measure=one) for one in ("sensitivity", "specificity")][:lines]
    hidden = [interaction((90, 90), flag="few_examiners"), interaction((90, 90), p_value=None, p_adjusted=None)]
    said = " ".join(_p_values(paper_of(STUDY, interactions=[*shown, *hidden])))
    assert says in said
    assert ("Holm" in said) is (lines == 2)


MODEL = {"condition": "acl_tear", "r_hat": 1.0449, "ess": 337.2, "delta": -0.3, "prevalence": 0.14}


def test_priors_and_convergence_of_the_model_are_named() -> None:
    assert _model(paper_of(STUDY)) == ""
    beliefs = [
        {"condition": "acl_tear", "modality": one, "assumed": one == "ultrasound"} for one in ("mri", "ultrasound")
    ]
    said = _model(paper_of(STUDY, bias_models=[MODEL], reference_posterior=beliefs))
    assert "largest R-hat 1.04, smallest effective number of draws 337" in said
    assert "widened 1.5 times; a wide generic prior for ultrasound" in said
    assert "−0.3 (0.4) added in knees never verified" in said.replace("«nouns»", "knees")


@pytest.mark.parametrize(("estimate", "says"), [(0.9, "as it does here"), (0.6, "")])
def test_why_the_main_estimate_can_lie_outside_the_bounds(estimate: float, says: str) -> None:
    whole = {**KEY, "group_by": "overall", "group": "all", "measure": "specificity", **FIGURE}
    bounds = [{**whole, "lower": 0.34, "upper": 0.88}]
    accuracy = [{**whole, "adjustment": "bias_adjusted", "estimate": estimate}]
    said = findings.bounds_words(paper_of(STUDY, verification_bounds=bounds, accuracy=accuracy))
    assert "take each reading of the reference as true" in said
    assert ("as it does here" in said) is bool(says)
    assert findings.bounds_words(paper_of({**STUDY, "main": "none"}, verification_bounds=bounds)) == ""


@pytest.mark.parametrize("planned", [None, 300.0])
def test_a_plan_that_no_number_reaches_says_so_wherever_it_is_told(planned: float | None) -> None:
    line = {"measure": "specificity", "planned": planned, "reached": 105.0, "group": "attending", **FIGURE}
    size = [{**line, "quantity": "in_analysis"}, {**line, "quantity": "expected", "planned": 0.85, "reached": 0.74}]
    paper = paper_of(STUDY, study_size=size)
    told = limits.planned_and_reached(paper)
    assert ("none is enough" in told) is (planned is None)
    assert "Specificity (attending)" in told
    assert ("no number of «nouns» reaches this power" in methods.sample_size(paper)) is (planned is None)
    assert limits.is_infeasible(paper) is (planned is None)


def test_who_was_eligible_is_told_filter_by_filter() -> None:
    role = {"column": "exams.examiner_role", "is": "one_of", "value": ["resident", "attending"]}
    old = {"column": "participants.age_years", "is": "at_least", "value": 16}
    said = methods.participants(paper_of({**STUDY, "population": [role, old]})).replace("\\", "")
    assert "with role on that day: resident physician or attending physician; age of at least 16 years" in said


def test_without_a_lock_none_is_mentioned(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sections, "released", lambda _: None)
    monkeypatch.setattr(sections, "lacking", lambda *_: ())
    paper = paper_of(STUDY)
    assert "lock" not in sections.bundle_words(paper)
    (where,) = [place(one, paper) for one in items(resource("reports")) if str(one["item"]) == "29"]
    assert where.startswith("Other information (not locked)")
    found = replace(paper.found, lock_status=replace(paper.found.lock_status, locked=(object(),)))
    assert ", lock and a script" in sections.bundle_words(replace(paper, found=found))
