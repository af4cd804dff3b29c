from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

from examtally.contracts.contract import Contract
from examtally.contracts.dictionary.dictionary import data_dictionary
from examtally.contracts.own_catalogue import new_catalogue
from examtally.contracts.study.parts import Either, Every, Filter, Leaf, leaves
from examtally.contracts.study.study import load_study, study_keys
from examtally.errors import ProtocolError

LEAST: Mapping[str, Any] = {
    "study": "least",
    "title": "Accuracy of one test",
    "tests": {"classic": {"rule": {"maneuver": "lachman"}}},
    "target": {"condition": "acl_tear"},
    "primary": [{"name": "main", "kind": "accuracy", "tests": ["classic"]}],
}


def _refusals(change: Mapping[str, Any], contract: Contract) -> list[str]:
    with pytest.raises(ProtocolError) as fault:
        load_study({**LEAST, **change}, contract)
    return str(fault.value).split("\n")


def _refusal(change: Mapping[str, Any], contract: Contract) -> str:
    (line,) = _refusals(change, contract)
    return line


def _rule(rule: Mapping[str, Any]) -> dict[str, Any]:
    return {"tests": {"classic": {"rule": rule}}}


def _filter(**cells: Any) -> dict[str, Any]:
    return {"population": [cells]}


@pytest.fixture
def shoulder() -> dict[str, Any]:
    return {
        **LEAST,
        "tests": {"lag": {"rule": {"maneuver": "belly_press"}}},
        "target": {"condition": "subscapularis_tear"},
        "primary": [{"name": "main", "kind": "accuracy", "tests": ["lag"]}],
    }


def test_a_study_of_another_joint_names_it_under_analysis(shoulder: dict[str, Any]) -> None:
    study = load_study({**shoulder, "analysis": {"joint": "shoulder"}})
    assert study.base.catalogue.joint == "shoulder"
    assert load_study(dict(study.source)) == study
    with pytest.raises(ProtocolError, match="not a maneuver of the catalogue"):
        load_study(shoulder)


def test_a_study_keeps_the_whole_of_a_catalogue_of_the_group(shoulder: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "own.yaml").write_text(new_catalogue("shoulder"), encoding="utf-8")
    path = tmp_path / "study.yaml"
    path.write_text(yaml.safe_dump({**shoulder, "analysis": {"catalogue": "own.yaml"}}), encoding="utf-8")
    study = load_study(path)
    (tmp_path / "own.yaml").unlink()
    assert load_study(dict(study.source)) == study


def test_the_least_study_has_the_declared_defaults(contract: Contract) -> None:
    study = load_study(LEAST, contract)
    assert study.selection.tests[0].rule == Leaf("lachman", ("positive",), None, None, None, None, None, None)
    assert (study.alpha, study.family, study.adjustments) == (0.05, "primary", ("none", "bias_adjusted"))
    assert study.primary[0].measures == ("sensitivity", "specificity")
    assert study.protocol.intervals.level == 0.95
    assert study.protocol.eligibility.exclude_reference_known
    assert study.governance.purpose is None


def test_equal_studies_have_equal_hashes_and_every_decision_changes_it(contract: Contract) -> None:
    study = load_study(LEAST, contract)
    assert load_study({**LEAST, "alpha": 0.05, "equivocal": "excluded"}, contract).hash == study.hash
    changes: tuple[Mapping[str, Any], ...] = (
        {"alpha": 0.01},
        {"title": "Another"},
        {"equivocal": "positive"},
        {"subgroups": ["sex"]},
        {"target": {"condition": "acl_tear", "severity": ["complete"]}},
        {"analysis": {"maturity": {"immature_periods": 5}}},
        {"reference": {"window_days": [0, 90]}},
        _filter(column="exams.thigh_cm", value=50, **{"is": "at_least"}),
        _rule({"maneuver": "lachman", "grade_at_least": 2}),
    )
    hashes = {load_study({**LEAST, **change}, contract).hash for change in changes}
    assert len(hashes | {study.hash}) == len(changes) + 1


def test_the_study_decides_the_analysis_protocol(contract: Contract) -> None:
    study = load_study(
        {
            **LEAST,
            "alpha": 0.1,
            "equivocal": "negative",
            "reference": {"standard": ["arthroscopy"], "window_days": [0, 90]},
            "blinding": {"examiner": "any", "reader": "blinded_only"},
            "analysis": {"maturity": {"immature_periods": 7}},
        },
        contract,
    )
    protocol = study.protocol
    assert protocol.intervals.level == 0.9
    assert protocol.equivocal == "negative"
    assert protocol.reference.accepted["acl_tear"] == ("arthroscopy",)
    assert protocol.reference.accepted["pcl_tear"][0] == "open_surgery"
    assert protocol.windows["acl_tear"] == (0, 90)
    assert protocol.reference.blinded_readers_only
    assert not protocol.eligibility.exclude_reference_known
    assert protocol.maturity.immature_periods == 7


def test_a_rule_may_look_at_every_part_of_a_finding_and_at_other_tests(contract: Contract) -> None:
    tests = {
        "graded": {"rule": {"maneuver": "lachman", "grade_at_least": 2, "end_point": ["soft", "absent"]}},
        "measured": {"rule": {"maneuver": "lachman", "measure_at_least": 3}},
        "painful": {"rule": {"maneuver": "mcmurray_medial", "pain": "yes", "sign": ["click"]}},
        "either": {
            "rule": {"any_of": [{"test": "graded"}, {"all_of": [{"test": "measured"}, {"maneuver": "pivot_shift"}]}]}
        },
    }
    study = load_study({**LEAST, "tests": {**LEAST["tests"], **tests}}, contract)
    rule = study.selection.tests[-1].rule
    assert isinstance(rule, Either)
    assert isinstance(rule.parts[1], Every)
    assert [leaf.maneuver for leaf in leaves(rule)] == ["lachman", "lachman", "pivot_shift"]


def test_filters_on_every_declared_column_are_read(contract: Contract) -> None:
    for table in contract.tables.values():
        for field in table.fields:
            cells: dict[str, Any] = {"column": f"{table.name}.{field.name}", "is": "recorded"}
            row = {"history": "item", "findings": "maneuver", "impressions": "condition", "references": "condition"}
            if table.name in row:
                cells["of"] = (table.field(row[table.name]).enum or ())[0]
            (one,) = load_study({**LEAST, **_filter(**cells)}, contract).selection.population
            assert (one.table, one.column) == (table.name, field.name)


def test_a_filter_holds_its_value_to_the_column(contract: Contract) -> None:
    kept = {**LEAST, **_filter(column="exams.setting", value=["clinic", "urgent_care"], **{"is": "one_of"})}
    assert load_study(kept, contract).selection.population == (
        Filter("exams", "setting", "one_of", ("clinic", "urgent_care"), None, None, False),
    )


INJECTION = "clinic' or 1=1; drop table reg.exams --"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_filter(column="exams.setting", value=INJECTION, **{"is": "equals"}), "is not a legal setting"),
        (_filter(column="exams.setting = 'x' or true", **{"is": "recorded"}), "is not a declared column"),
        (_filter(column="exams.setting", value="clinic", **{"is": "= 'x' or"}), "is not a comparison"),
        (_filter(column="exams.thigh_cm", value="50 or 1=1", **{"is": "at_least"}), "not a whole number"),
        (_filter(column="exams.thigh_cm", value=5000, **{"is": "at_least"}), "out of range"),
        (_filter(column="exams.setting", value="clinic", **{"is": "at_least"}), "has no order"),
        (_filter(column="exams.period", value="2026-13", **{"is": "equals"}), "is not a legal period"),
        (
            _filter(column="participants.participant_id", value="../etc", **{"is": "equals"}),
            "not a legal participant_id",
        ),
        (_filter(column="history.answer", value="yes", **{"is": "equals"}), "does not say which row"),
        (_filter(column="history.answer", value="yes", of="x' or 1", **{"is": "equals"}), "is not a legal item"),
        (_filter(column="exams.thigh_cm", value=[60, 50], **{"is": "between"}), "lower and an upper"),
        ({"study": "../../etc/passwd"}, "wrong form"),
        ({"study": "a" * 61}, "study: is too long; write at most 60 characters"),
        ({"population": "/etc/passwd"}, "not a list"),
        ({"tests": "tests.yaml"}, "not a mapping"),
        ({"tests": {"lachman": {"rule": {"maneuver": "lachman"}}}}, "is a maneuver of the catalogue"),
        (_rule({"maneuver": "select 1"}), "is not a maneuver"),
        (_rule({"maneuver": "lachman", "sign": ["click"]}), "is not a sign of lachman"),
        (_rule({"maneuver": "lachman", "grade_at_least": 9}), "out of range"),
        (_rule({"maneuver": "thessaly_medial", "measure_at_least": 3}), "no measured value"),
        (_rule({"maneuver": "lachman", "result": []}), "is empty"),
        (_rule({"test": "classic"}), "comes back to itself"),
        (_rule({"any_of": [{"maneuver": "lachman"}]}), "holds 1 findings"),
        (_rule({"any_of": [{"maneuver": "lachman"}] * 41}), "holds 41 findings"),
        (_rule({"maneuver": "lachman", "test": "classic"}), "exactly one of"),
        (_rule({"any_of": [{"maneuver": "lachman"}] * 2, "pain": "yes"}), "belongs beside a maneuver"),
        ({"target": {"condition": "acl_tear", "severity": ["kl_3"]}}, "is not a severity of acl_tear"),
        ({"target": {"condition": "popliteal_cyst", "severity": ["complete"]}}, "has no severities"),
        ({"reference": {"standard": ["ultrasound"]}}, "is not a modality that can settle acl_tear"),
        ({"reference": {"window_days": [90, 0]}}, "is not a window"),
        ({"alpha": 0}, "out of range"),
        ({"analysis": {"intervals": {"level": 0.9}}}, "is decided by the study"),
        ({"analysis": {"equivocal": "positive"}}, "is decided by the study"),
        ({"analysis": {"analysis_status": "prespecified"}}, "a lock decides it"),
        ({"primary": []}, "is empty"),
        ({"primary": [{"name": "a", "kind": "paired", "tests": ["classic"]}]}, "name exactly two"),
        ({"primary": [{"name": "a", "kind": "by_group", "tests": ["classic"]}]}, "which groups"),
        ({"secondary": [{"name": "main", "kind": "accuracy", "tests": ["classic"]}]}, "stands twice"),
        (
            {
                "subgroups": ["sex"],
                "secondary": [{"name": "main_by_sex", "kind": "accuracy", "tests": ["classic"]}],
            },
            "is an analysis already",
        ),
        ({"sql": "drop table"}, "unknown key"),
        ({"title": "two\u202elines"}, "not plain text"),
        ({"planned_size": {"sensitivity": 1.5}}, "out of range"),
        ({"planned_size": {"sensitivity": float("nan")}}, "not a finite number"),
    ],
)
def test_anything_else_is_refused_in_one_line(change: Mapping[str, Any], said: str, contract: Contract) -> None:
    assert said in _refusal(change, contract)


def test_every_fault_of_a_study_is_said_at_once_with_its_line(tmp_path: Path, contract: Contract) -> None:
    path = tmp_path / "study.yaml"
    path.write_text(
        """\
study: several_faults
title: Accuracy of one test
population:
  - {column: exams.thigh_cm, is: at_least, value: 5000}
tests:
  classic: {rule: {maneuver: lachmann}}
  other: {rule: {any_of: [{maneuver: pivot_shift}, {test: nothing}]}}
target: {condition: acl_tear, severity: [kl_3]}
primary:
  - {name: main, kind: accuracy, tests: [classic, another]}
subgroups: [sexx]
analysis:
  display: {min_participants: 0}
  equivocal: positive
""",
        encoding="utf-8",
    )
    with pytest.raises(ProtocolError) as fault:
        load_study(path, contract)
    assert [line.split(":", 1)[0] for line in str(fault.value).split("\n")] == [
        "study.yaml, line 4, population[0].value",
        "study.yaml, line 6, tests.classic.rule.maneuver",
        "study.yaml, line 7, tests.other.rule.any_of[1].test",
        "study.yaml, line 8, target.severity[0]",
        "study.yaml, line 10, primary[0].tests[1]",
        "study.yaml, line 11, subgroups[0]",
        "study.yaml, line 13, analysis.display.min_participants",
        "study.yaml, line 14, analysis.equivocal",
    ]


def test_a_section_that_is_used_twice_is_held_to_its_rules_each_time(contract: Contract) -> None:
    unsaid = {"name": "other", "kind": "by_group", "tests": ["classic"], "statistics": ["pabak"]}
    said = _refusals({"secondary": [unsaid]}, contract)
    assert said[0].startswith("study, secondary[0]: does not say which groups to compare")
    assert said[1].startswith("study, secondary[0].statistics: is not used by by_group")


def test_longer_cycles_and_deep_nesting_are_refused(contract: Contract) -> None:
    around = {
        "a": {"rule": {"test": "b"}},
        "b": {"rule": {"any_of": [{"test": "c"}, {"test": "c"}]}},
        "c": {"rule": {"test": "a"}},
    }
    assert "comes back to itself (a > b > c > a)" in _refusal({"tests": {**LEAST["tests"], **around}}, contract)
    deep: dict[str, Any] = {"maneuver": "lachman"}
    for _ in range(7):
        deep = {"any_of": [deep, {"maneuver": "lachman"}]}
    assert "nested too deeply" in _refusal(_rule(deep), contract)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("title: !!python/object/apply:os.system [ls]\n", "tags are refused"),
        ("title: &a x\nquestion: *a\n", "anchors and aliases are refused"),
        ("a: &a [x, x]\nb: &b [*a, *a]\n", "anchors and aliases are refused"),
        ("title: " + "[" * 500 + "\n", "nested too deeply"),
        ("study: x\nstudy: y\n", "stands twice"),
        ("", "is empty"),
    ],
)
def test_a_hostile_file_is_refused_in_printable_lines(text: str, said: str, tmp_path: Path, contract: Contract) -> None:
    path = tmp_path / "study.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProtocolError, match=said) as fault:
        load_study(path, contract)
    assert all(line.startswith("study.yaml") and line.isprintable() for line in str(fault.value).split("\n"))
    assert str(tmp_path) not in str(fault.value)


def test_the_source_reads_to_an_equal_study(contract: Contract) -> None:
    study = load_study({**LEAST, **_filter(column="exams.thigh_cm", value=50, **{"is": "at_least"})}, contract)
    assert load_study(study.source, contract) == study


def test_the_dictionary_lists_every_key_of_a_study(contract: Contract) -> None:
    rows = data_dictionary(contract, "study")
    named = [row["name"] for row in rows.to_dicts() if not row["choice"]]
    assert named == [f"{key.section}.{key.name}" for key in study_keys()]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"subgroups": ["severity"]}, "severity is not a subgroup"),
        ({"target": {"condition": "acl_tear", "severity": ["complete"]}}, "the target counts some severities alone"),
        ({"target": {"condition": "knee_effusion"}}, "knee_effusion has no severities of its own"),
        ({"measures": ["sensitivity", "specificity"]}, "by severity there is sensitivity alone"),
        ({"kind": "paired", "tests": ["classic", "other"]}, "severity is not for paired"),
    ],
)
def test_severity_has_sensitivity_alone_of_a_condition_with_severities(
    change: dict[str, Any], said: str, contract: Contract
) -> None:
    asked = {"name": "main", "kind": "accuracy", "tests": ["classic"], "measures": ["sensitivity"]}
    asked |= {"group_by": "severity"} | {key: change.pop(key) for key in ("kind", "tests", "measures") if key in change}
    tests = {"classic": {"rule": {"maneuver": "lachman"}}, "other": {"rule": {"maneuver": "pivot_shift"}}}
    if "subgroups" in change:
        asked.pop("group_by")
    assert said in _refusal({"tests": tests, "primary": [asked], **change}, contract)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"since": None}, "does not say when the intervention was"),
        ({"since": "spring"}, "since"),
        ({"measures": ["ppv"]}, "a change is one of sensitivity or specificity"),
        ({"group_by": "role"}, "is not used by change"),
        ({"kind": "accuracy"}, "is not used by accuracy"),
        ({"reached_roles": ["nobody"]}, "nobody"),
    ],
)
def test_a_change_is_dated_and_of_two_measures_alone(change: dict[str, Any], said: str, contract: Contract) -> None:
    asked = {"name": "main", "kind": "change", "tests": ["classic"], "since": "2026-03", **change}
    tests = {"classic": {"rule": {"maneuver": "lachman"}}}
    kept = {key: value for key, value in asked.items() if value is not None}
    assert said in _refusal({"tests": tests, "primary": [kept]}, contract)


def test_studies_without_a_change_have_the_hash_that_they_had(contract: Contract) -> None:
    """Of studies that were locked before changes could be asked for."""
    assert '"change"' not in json.dumps(load_study(LEAST, contract).to_dict())
