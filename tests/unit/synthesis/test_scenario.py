"""Scenario files: those that come with the package are read, wrong ones are refused with file, line, path and mend."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from examtally.contracts.contract import load_contract
from examtally.errors import ContractError
from examtally.resources import resource
from examtally.synthesis.faults import load_faults
from examtally.synthesis.scenario import Scenario
from examtally.synthesis.scenario_file import clinic_of, load_scenario

Based = Callable[..., Path]


@pytest.mark.parametrize(
    "path", sorted((resource("synthetic") / "scenarios").glob("*.yaml")), ids=lambda path: path.stem
)
def test_every_scenario_of_the_package_is_read_by_path_and_by_name(path: Path) -> None:
    assert load_scenario(path) == load_scenario(Path(path.stem))


def test_the_clinic_does_every_maneuver_and_has_a_truth_for_every_condition(scenario: Scenario) -> None:
    catalogue = load_contract(scenario.joint).catalogue
    assert tuple(scenario.maneuvers) == tuple(catalogue.maneuvers)
    assert set(scenario.conditions) == {code for code, item in catalogue.conditions.items() if not item.derived_from}
    assert set(scenario.history.items) == set(catalogue.history)
    for code, item in catalogue.conditions.items():
        settling = [modality for modality in item.modalities if code in scenario.references[modality].covers]
        assert settling or item.derived_from or not item.modalities, f"nothing in the scenario settles {code}"


def test_the_clinic_is_what_it_is_described_as(scenario: Scenario) -> None:
    assert len(scenario.sites.codes) == 2
    assert 12 <= len(scenario.examiners) <= 14
    assert {"student", "resident", "attending"} <= {each.role for each in scenario.examiners}
    assert len(scenario.periods.labels) == 18
    assert scenario.exams == 3000


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("exams: many", ["other.yaml, line 2, exams", "not a whole number"]),
        ("families: {laxity: {person: -1, knee: 1, hands: 1}}", ["families.laxity.person", "from 0 to 5"]),
        (
            "visits: {both_sides: {base: 0.5, odds: {repeat_visits: 2}}}",
            ["both_sides.odds", "did you mean 'repeat_visit'?"],
        ),
        # nothing depends on what comes later: the setting is not known when it is drawn
        ("visits: {setting: {clinic: {base: 1, times: {setting.sideline: 2}}}}", ["visits.setting.clinic.times"]),
        ("maneuvers: {lachman: {driver: torn_ligament}}", ["maneuvers.lachman.driver", "use one of acl_tear"]),
        ("maneuvers: {lachmann: {rate: 0.1, family: look}}", ["did you mean 'lachman'?"]),
        ("maneuvers: {lachman: {rate: 0.1}}", ["maneuvers.lachman", "either a driver or a rate"]),
        ("maneuvers: {lachman: {grades: {positive: {9: 1}}}}", ["maneuvers.lachman.grades.positive"]),
        (
            "maneuvers: {pivot_shift: {measure: {recorded: 1, decimals: 0, positive: {mean: 1, sd: 1}, "
            "negative: {mean: 1, sd: 1}, by: {eye: 1}}}}",
            ["pivot_shift.measure", "no unit"],
        ),
        ("conditions: {acl_tear: {severity: {torn: 1}}}", ["conditions.acl_tear.severity"]),
        (
            "examiners: {E-01: {start: 2}, E-02: {start: 2}, E-03: {start: 2}, E-04: {start: 2}, E-06: {start: 2}}",
            ["site S-01"],
        ),
        ("examiners: {E-01: {numbers: thirds}}", ["examiners.E-01.numbers", "use one of fives"]),
        ("periods: {kind: month, count: 3}", ["periods", "need 'first'"]),
        ("periods: {kind: month, count: 3, first: 2031-13}", ["periods.first"]),
        ("periods: {kind: month, count: 3, first: 2031-11, days: 30}", ["periods.days", "have no 'days'"]),
        ("references: {mri: {after: arthroscopy}}", ["references.mri.after", "above this one"]),
        ("forecasts: {numbers: {tens: [0.5, 0.1]}}", ["forecasts.numbers.tens", "rising"]),
        ("blanks: {exams: {side: 0.5}}", ["blanks.exams.side"]),
        ("weather: rain", ["unknown key 'weather'"]),
        ("sheet: {effusion: {none: 0, small: 0, moderate: 0, large: 0, unknown: 0}}", ["no code has a weight above 0"]),
    ],
)
def test_a_wrong_scenario_is_refused(based: Based, lines: str, words: list[str]) -> None:
    with pytest.raises(ContractError) as refused:
        load_scenario(based(lines))
    message = str(refused.value)
    assert "\n" not in message
    for word in words:
        assert word in message


def test_every_fault_of_a_scenario_is_said_at_once_with_its_line(based: Based) -> None:
    lines = """\
title: 5
families: {laxity: {person: -1, knee: 1, hands: 1}}
visits: {both_sides: {base: 0.5, odds: {repeat_visits: 2}}}
maneuvers: {lachman: {driver: torn_ligament}, lachmann: {rate: 0.1, family: look}}
examiners: {E-01: {numbers: thirds, start: 99}}
references: {mri: {after: arthroscopy}}
"""
    with pytest.raises(ContractError) as refused:
        load_scenario(based(lines.replace("title: 5", "title: Five faults")))
    assert [line.split(": ")[0] for line in str(refused.value).split("\n")] == [
        "other.yaml, line 3, families.laxity.person",
        "other.yaml, line 4, visits.both_sides.odds.repeat_visits",
        "other.yaml, line 5, maneuvers.lachmann",
        "other.yaml, line 5, maneuvers.lachman.driver",
        "other.yaml, line 6, examiners.E-01.numbers",
        "other.yaml, line 6, examiners.E-01.start",
        "other.yaml, line 7, references.mri.after",
    ]


def test_a_scenario_cannot_be_based_on_one_that_is_based_on_another(based: Based, tmp_path: Path) -> None:
    based("exams: 5", name="middle")
    top = tmp_path / "top.yaml"
    top.write_text("based_on: middle\nexams: 7\n", encoding="utf-8")
    with pytest.raises(ContractError, match="based on another scenario itself"):
        load_scenario(top)


def test_a_scenario_changes_only_the_keys_it_names(based: Based, scenario: Scenario) -> None:
    other = load_scenario(based("exams: 77\nmaneuvers: {lachman: {sensitivity: 0.5}}"))
    assert other.exams == 77
    assert other.maneuvers["lachman"].accuracy is not None
    assert other.maneuvers["lachman"].accuracy.sensitivity == 0.5
    assert other.maneuvers["lachman"].shift == scenario.maneuvers["lachman"].shift
    assert other.periods == scenario.periods


def test_months_are_calendar_months(based: Based) -> None:
    periods = load_scenario(based("periods: {kind: month, count: 18, first: 2031-11}")).periods
    assert periods.labels[:4] == ("2031-11", "2031-12", "2032-01", "2032-02")
    assert periods.labels[-1] == "2033-04"
    assert periods.edges[:5] == (0, 30, 61, 92, 121)  # 2032 is a leap year


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (
            "faults: [{table: exams, column: side, rule: pseudonym}]\nchanged: []\nidentical: {}\ndiffering: []",
            "a rule of that column",
        ),
        (
            "faults: [{table: exams, column: colour, rule: enum}]\nchanged: []\nidentical: {}\ndiffering: []",
            "a column of exams",
        ),
    ],
)
def test_a_fault_that_breaks_no_rule_is_refused(tmp_path: Path, lines: str, words: str) -> None:
    place = tmp_path / "faults.yaml"
    place.write_text(lines, encoding="utf-8")
    with pytest.raises(ContractError, match=words):
        load_faults(load_contract(), place)


def test_a_joint_names_its_clinic_and_a_scenario_of_another_joint_is_refused() -> None:
    assert clinic_of(None, None) is None
    assert clinic_of("knee", None) == Path("clinic")
    assert load_scenario(clinic_of("ankle", None)).joint == "ankle"
    assert clinic_of("knee", Path("small")) == Path("small")
    with pytest.raises(ContractError, match="not of the shoulder"):
        clinic_of("shoulder", Path("small"))
    with pytest.raises(ContractError, match="no clinic of the joint 'hip'; use one of ankle, knee, shoulder"):
        clinic_of("hip", None)
