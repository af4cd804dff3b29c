"""A study's population, index tests and condition, on small hand-made records."""

from __future__ import annotations

import random
from collections.abc import Mapping
from itertools import product
from typing import Any

import duckdb
import pytest
from clinic import Records, connect

from examtally.cohort import build_cohort
from examtally.cohort.cohort import Cohort
from examtally.cohort.entered_after_reference import write_used
from examtally.cohort.selection import read_population, write_selection
from examtally.contracts.contract import Contract
from examtally.contracts.study.parts import Either, Leaf, Rule
from examtally.contracts.study.study import load_study

LEAST: Mapping[str, Any] = {
    "study": "least",
    "title": "Accuracy of one test",
    "tests": {"classic": {"rule": {"maneuver": "lachman"}}},
    "target": {"condition": "acl_tear"},
    "primary": [{"name": "main", "kind": "accuracy", "tests": ["classic"]}],
}


def _cohort(contract: Contract, records: Records, **change: Any) -> Cohort:
    study = load_study({**LEAST, **change}, contract)
    return build_cohort(connect(contract, records), study.contract, study.protocol, study.selection)


def _selected(contract: Contract, records: Records, **change: Any) -> duckdb.DuckDBPyConnection:
    """The records with what a study asks, before any exam is chosen."""
    con = connect(contract, records)
    write_used(con, "knee")
    write_selection(con, load_study({**LEAST, **change}, contract).selection)
    return con


def _results(con: duckdb.DuckDBPyConnection, test: str = "classic") -> dict[str, str]:
    rows = con.execute("select exam_id, result from used_findings where maneuver = ?", [test]).fetchall()
    return dict(rows)


def _ends(cohort: Cohort, test: str = "classic") -> dict[str, int]:
    flow = cohort.flow()
    rows = flow.filter(flow["maneuver"] == test)
    return {reason: exams for reason, exams in zip(rows["reason"], rows["exams"], strict=True) if exams}


FINDING = {
    "plain positive": ({"result": "positive"}, {"maneuver": "lachman"}, "positive"),
    "plain negative": ({"result": "negative"}, {"maneuver": "lachman"}, "negative"),
    "plain equivocal": ({"result": "equivocal"}, {"maneuver": "lachman"}, "equivocal"),
    "not done": ({"result": "not_done"}, {"maneuver": "lachman", "grade_at_least": 1}, "not_done"),
    "equivocal counted": (
        {"result": "equivocal"},
        {"maneuver": "lachman", "result": ["positive", "equivocal"]},
        "positive",
    ),
    "grade reached": ({"result": "positive", "grade": 2}, {"maneuver": "lachman", "grade_at_least": 2}, "positive"),
    "grade below": ({"result": "positive", "grade": 1}, {"maneuver": "lachman", "grade_at_least": 2}, "negative"),
    "grade blank, positive": ({"result": "positive"}, {"maneuver": "lachman", "grade_at_least": 2}, None),
    "grade blank, negative": ({"result": "negative"}, {"maneuver": "lachman", "grade_at_least": 2}, "negative"),
    "grade blank, equivocal": ({"result": "equivocal"}, {"maneuver": "lachman", "grade_at_least": 2}, "equivocal"),
    "measure reached": (
        {"result": "negative", "measure": 3.0},
        {"maneuver": "lachman", "measure_at_least": 3},
        "positive",
    ),
    "measure blank": ({"result": "negative"}, {"maneuver": "lachman", "measure_at_least": 3}, None),
    "measure within": (
        {"result": "positive", "measure": 4.0},
        {"maneuver": "lachman", "measure_at_least": 3, "measure_at_most": 5},
        "positive",
    ),
    "measure above": (
        {"result": "positive", "measure": 6.0},
        {"maneuver": "lachman", "measure_at_least": 3, "measure_at_most": 5},
        "negative",
    ),
    "end point soft": (
        {"result": "positive", "end_point": "soft"},
        {"maneuver": "lachman", "end_point": ["soft"]},
        "positive",
    ),
    "end point firm": (
        {"result": "positive", "end_point": "firm"},
        {"maneuver": "lachman", "end_point": ["soft"]},
        "negative",
    ),
    "end point unknown": (
        {"result": "positive", "end_point": "unknown"},
        {"maneuver": "lachman", "end_point": ["soft"]},
        None,
    ),
    "pain": ({"result": "negative", "pain": "yes"}, {"maneuver": "lachman", "pain": "yes"}, "positive"),
    "no pain": ({"result": "positive", "pain": "no"}, {"maneuver": "lachman", "pain": "yes"}, "negative"),
    "sign": ({"result": "positive", "sign": "laxity"}, {"maneuver": "lachman", "sign": ["laxity"]}, "positive"),
    "sign of a negative": ({"result": "negative"}, {"maneuver": "lachman", "sign": ["laxity"]}, "negative"),
    "sign not recorded": ({"result": "positive"}, {"maneuver": "lachman", "sign": ["laxity"]}, None),
    "one part fails": (
        {"result": "positive", "grade": 1},
        {"maneuver": "lachman", "grade_at_least": 2, "end_point": ["soft"]},
        "negative",
    ),
}


@pytest.mark.parametrize("name", FINDING)
def test_what_a_rule_makes_of_a_finding(name: str, contract: Contract) -> None:
    cells, rule, expected = FINDING[name]
    records = Records().exam("EX1").add("findings", exam_id="EX1", maneuver="lachman", **cells)
    con = _selected(contract, records, tests={"classic": {"rule": rule}})
    assert _results(con).get("EX1") == expected


def _by_hand(rule: Rule, results: Mapping[str, str]) -> str | None:
    """The same rule in plain words."""
    if isinstance(rule, Leaf):
        return results.get(rule.maneuver)
    deciding, other = ("positive", "negative") if isinstance(rule, Either) else ("negative", "positive")
    parts = [_by_hand(part, results) for part in rule.parts]
    if deciding in parts:
        return deciding
    if None in parts:
        return None
    return next((one for one in ("not_done", "equivocal") if one in parts), other)


def test_combined_rules_against_plain_logic_for_every_pattern(contract: Contract) -> None:
    maneuvers = ("lachman", "pivot_shift", "anterior_drawer")
    nested = {"any_of": [{"maneuver": "lachman"}, {"all_of": [{"test": "pivot"}, {"maneuver": "anterior_drawer"}]}]}
    tests = {
        "pivot": {"rule": {"maneuver": "pivot_shift"}},
        "nested": {"rule": nested},
        "every": {"rule": {"all_of": [{"maneuver": one} for one in maneuvers]}},
        "either": {"rule": {"any_of": [{"maneuver": one} for one in maneuvers]}},
    }
    states = ("positive", "negative", "equivocal", "not_done", None)
    records = Records()
    given: dict[str, dict[str, str]] = {}
    for number, pattern in enumerate(product(states, repeat=3)):
        exam = f"EX{number}"
        records.exam(exam, participant_id=f"PT{number}")
        given[exam] = {m: state for m, state in zip(maneuvers, pattern, strict=True) if state is not None}
        for m, state in given[exam].items():
            records.finding(exam, m, state)
    study = load_study({**LEAST, "tests": {**LEAST["tests"], **tests}}, contract)
    con = _selected(contract, records, tests={**LEAST["tests"], **tests})
    for test in study.selection.tests:
        said = {exam: _by_hand(test.rule, results) for exam, results in given.items()}
        assert _results(con, test.code) == {exam: one for exam, one in said.items() if one is not None}


def _filter(column: str, comparison: str, value: Any = None, **more: Any) -> dict[str, Any]:
    return {"column": column, "is": comparison, **({} if value is None else {"value": value}), **more}


FILTERS = [
    (_filter("exams.thigh_cm", "at_least", 50), {"A", "B"}),
    (_filter("exams.thigh_cm", "at_least", 50, blank="in"), {"A", "B", "D"}),
    (_filter("exams.thigh_cm", "between", [45, 55]), {"A"}),
    (_filter("exams.thigh_cm", "not_recorded"), {"D"}),
    (_filter("exams.setting", "one_of", ["clinic", "urgent_care"]), {"A", "B", "C"}),
    (_filter("exams.setting", "not_equals", "clinic"), {"C", "D"}),
    (_filter("exams.period", "at_least", "2020-02"), {"D"}),
    (_filter("participants.age_years", "at_most", 30), {"A"}),
    (_filter("examiners.role", "equals", "resident"), {"C"}),
    (_filter("exams.examiner_role", "equals", "fellow"), {"A", "B", "C"}),
    (_filter("history.answer", "equals", "yes", of="pop"), {"A"}),
    (_filter("history.answer", "not_recorded", of="pop"), {"C", "D"}),
    (_filter("findings.result", "equals", "positive", of="pivot_shift"), {"B"}),
    (_filter("impressions.probability", "at_least", 0.5, of="acl_tear"), {"A"}),
    (_filter("impressions.probability", "at_least", 0.5, of="acl_tear", stage="after_exam"), {"C"}),
    (_filter("references.modality", "equals", "arthroscopy", of="acl_tear"), {"B"}),
]


def _four() -> Records:
    records = Records()
    records.add("examiners", examiner_id="E1", role="fellow").add("examiners", examiner_id="E2", role="resident")
    records.add("participants", participant_id="PA", age_years=30).add(
        "participants", participant_id="PB", age_years=31
    )
    records.exam("A", "PA", thigh_cm=50, setting="clinic").exam("B", "PB", thigh_cm=60, setting="clinic")
    records.exam("C", "PC", thigh_cm=44, setting="urgent_care", examiner_id="E2", examiner_role="fellow")
    records.exam("D", "PD", setting="emergency", period="2020-02", examiner_id="E3")
    records.add("history", exam_id="A", item="pop", answer="yes").add("history", exam_id="B", item="pop", answer="no")
    records.finding("A", "pivot_shift", "negative").finding("B", "pivot_shift")
    records.add("impressions", exam_id="A", condition="acl_tear", stage="after_history", probability=0.5)
    records.add("impressions", exam_id="C", condition="acl_tear", stage="after_exam", probability=0.9)
    return records.reference("acl_tear", "present", modality="arthroscopy", participant_id="PB")


@pytest.mark.parametrize(("cells", "expected"), FILTERS, ids=range(len(FILTERS)))
def test_a_filter_keeps_the_exams_it_names(cells: Mapping[str, Any], expected: set[str], contract: Contract) -> None:
    con = _selected(contract, _four(), population=[cells])
    kept = con.execute("select exam_id from population_filters where failed = 0").fetchall()
    assert {exam for (exam,) in kept} == expected


def test_filters_are_asked_in_order_and_counted_under_the_first_that_fails(contract: Contract) -> None:
    population = [_filter("exams.setting", "equals", "clinic"), _filter("participants.age_years", "at_least", 31)]
    with _cohort(contract, _four(), population=population) as cohort:
        assert read_population(cohort.con) == {0: (1, 1), 1: (2, 2), 2: (1, 1)}
        ends = _ends(cohort)
    assert ends["outside_population"] == 3
    assert sum(ends.values()) == 4


def test_the_population_is_asked_before_the_index_exam_is_chosen(contract: Contract) -> None:
    records = Records().exam("EX1", day=0, setting="emergency").exam("EX2", day=2, setting="clinic")
    records.finding("EX1", "lachman").finding("EX2", "lachman", "negative").reference("acl_tear", "present", day=9)
    records.exam("LATER", "PT9", period="2022-01", complaint="no")
    with _cohort(contract, records) as cohort:
        assert _ends(cohort) == {"comparison_knee": 1, "not_index_exam": 1, "analysed": 1}
        assert cohort.tallies().filter(maneuver="classic", group_by="overall")["tp"].item() == 1
    with _cohort(contract, records, population=[_filter("exams.setting", "equals", "clinic")]) as cohort:
        assert _ends(cohort) == {"outside_population": 2, "analysed": 1}
        assert cohort.tallies().filter(maneuver="classic", group_by="overall")["fn"].item() == 1


def test_maturity_is_that_of_the_whole_registry(contract: Contract) -> None:
    records = (
        Records()
        .exam("EX1", setting="clinic", period="2020-01")
        .exam("EX2", "PT2", setting="emergency", period="2022-01")
    )
    with _cohort(contract, records, population=[_filter("exams.setting", "equals", "clinic")]) as cohort:
        assert "window_open" not in _ends(cohort)


def _severe(contract: Contract, found: str | None, **target: Any) -> dict[str, int]:
    records = Records().exam("LATER", "PT9", period="2022-01", complaint="no")
    records.exam("EX1").finding("EX1", "lachman").reference("acl_tear", "present", day=3, severity=found)
    with _cohort(contract, records, target={"condition": "acl_tear", **target}) as cohort:
        row = cohort.tallies().filter(maneuver="classic", group_by="overall")
        return {name: row[name].item() for name in ("tp", "fp", "indeterminate_positive") if row[name].item()}


def test_severity_of_the_condition(contract: Contract) -> None:
    assert _severe(contract, "partial") == {"tp": 1}
    assert _severe(contract, "complete", severity=["complete"]) == {"tp": 1}
    assert _severe(contract, "partial", severity=["complete"]) == {"fp": 1}
    assert _severe(contract, "partial", severity=["complete"], other_severity="excluded") == {
        "indeterminate_positive": 1
    }
    assert _severe(contract, None, severity=["complete"]) == {"indeterminate_positive": 1}


@pytest.mark.parametrize(
    ("answer", "cell"), [("present", "tp"), ("absent", "fp"), ("excluded", "indeterminate_positive")]
)
def test_an_indeterminate_reference_counts_as_declared(answer: str, cell: str, contract: Contract) -> None:
    records = Records().exam("LATER", "PT9", period="2022-01", complaint="no")
    records.exam("EX1").finding("EX1", "lachman").reference("acl_tear", "indeterminate", day=3)
    with _cohort(contract, records, reference={"indeterminate": answer}) as cohort:
        assert cohort.tallies().filter(maneuver="classic", group_by="overall")[cell].item() == 1


def test_without_a_population_a_study_of_one_maneuver_counts_as_the_plain_analysis(contract: Contract) -> None:
    draw = random.Random(7)
    records = Records()
    for number in range(60):
        records.exam(f"EX{number}", f"PT{number % 40}", side=draw.choice(("left", "right")), day=draw.randrange(9))
        if draw.random() < 0.9:
            records.finding(f"EX{number}", "lachman", draw.choice(("positive", "negative", "equivocal", "not_done")))
        if draw.random() < 0.6:
            records.reference("acl_tear", draw.choice(("present", "absent")), 20, participant_id=f"PT{number % 40}")
    study = load_study(LEAST, contract)
    with (
        build_cohort(connect(contract, records), contract, study.protocol) as plain,
        _cohort(contract, records) as of_study,
    ):
        one = plain.tallies().filter(condition="acl_tear", maneuver="lachman").drop("maneuver")
        other = of_study.tallies().filter(condition="acl_tear", maneuver="classic").drop("maneuver")
        assert one.equals(other)
