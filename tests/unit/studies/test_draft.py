"""The draft of `study new` can be read whatever was answered, and `study check` says what it lacks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.testing import CliRunner

from examtally.cli.app import app
from examtally.contracts.contract import load_contract
from examtally.contracts.study.study import load_study
from examtally.errors import ExamtallyError, StudyError
from examtally.studies.answers import KINDS, read_condition, read_tests
from examtally.studies.checking import check_study
from examtally.studies.drafting import Answers, write_draft

ANSWERS = Answers(
    "my_study",
    'A title: with "signs" # and {braces}',
    "Is it? - 'yes'",
    "More.",
    "accuracy",
    ("lachman",),
    "acl_tear",
    "role",
    "",
)


@pytest.mark.parametrize("kind", KINDS)
def test_a_draft_of_every_kind_can_be_read(kind: str, tmp_path: Path) -> None:
    answers = replace(ANSWERS, kind=kind, tests=("lachman", "drop_leg_lachman"), purpose="research", since="P007")
    study = load_study(write_draft(answers, tmp_path / "study.yaml"))
    assert study.title == ANSWERS.title
    assert study.question == ANSWERS.question
    assert study.primary[0].kind == kind
    missing = {remark.key for remark in check_study(study) if remark.must}
    assert {"planned_size.aim", "governance.determination"} <= missing
    assert ("blinding" in missing) == (kind != "agreement")


def test_a_draft_completed_by_its_own_comments_can_be_locked(tmp_path: Path) -> None:
    path = write_draft(replace(ANSWERS, purpose="research"), tmp_path / "study.yaml")
    lines = path.read_text(encoding="utf-8").splitlines()
    opened = ("# blinding:", "#   examiner", "#   reader", "# planned_size:", "#   aim", "#   s", "#   half", "  # ")
    filled = [line.replace("# ", "", 1) if line.startswith(opened) else line for line in lines]
    path.write_text("\n".join(filled), encoding="utf-8")
    assert [remark for remark in check_study(load_study(path)) if remark.must] == []


@pytest.mark.parametrize(
    "change",
    [
        {"tests": ("no_such_test",)},
        {"tests": ()},
        {"condition": "x: !!python/none"},
        {"code": "../up"},
        {"kind": "meta"},
        {"kind": "paired"},
        {"purpose": "fame"},
        {"title": "a bell \u0007"},
    ],
)
def test_an_answer_that_is_not_legal_leaves_no_file(change: Mapping[str, Any], tmp_path: Path) -> None:
    with pytest.raises(ExamtallyError) as fault:
        write_draft(replace(ANSWERS, **change), tmp_path / "study.yaml")
    assert "\n" not in str(fault.value)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_protocol_is_never_overwritten(tmp_path: Path) -> None:
    path = write_draft(ANSWERS, tmp_path / "study.yaml")
    with pytest.raises(ExamtallyError, match="exists"):
        write_draft(ANSWERS, path)


NAMES = (
    *("kind", "code", "title", "question", "hypothesis", "tests", "condition", "group-by", "groups", "measure"),
    *("expected", "smallest", "examiner", "reader", "purpose", "determination", "learners-covered"),
    "data-use-agreement",
)
LEGAL = (
    *("by_group", "by_training", "Training", "Is it?", "Less.", "lachman", "acl_tear", "role", "resident, attending"),
    *("sensitivity", "0.85", "0.15", "known_excluded", "any", "teaching", "not_research", "yes", "later"),
)


def _given(out: Path, *change: tuple[str, str]) -> list[str]:
    """The command with every answer as an option."""
    answers = dict(zip(NAMES, LEGAL, strict=True)) | dict(change)
    options = [part for name, answer in answers.items() for part in (f"--{name}", answer)]
    return ["study", "new", "--out", str(out), *options]


def test_questions_and_options_give_the_same_draft(tmp_path: Path) -> None:
    asked, given = tmp_path / "asked.yaml", tmp_path / "given.yaml"
    run = CliRunner()
    assert run.invoke(app, ["study", "new", "--out", str(asked)], input="\n".join(LEGAL) + "\n").exit_code == 0
    assert run.invoke(app, _given(given)).exit_code == 0
    assert asked.read_bytes() == given.read_bytes()
    study = load_study(given)
    assert study.blinding_stated
    assert (study.governance.learners_covered, study.governance.data_use_agreement) == ("yes", None)
    assert study.protocol.comparisons.groups["role"] == (("resident", "attending"),)
    assert study.primary[0].measures == ("sensitivity",)
    assert (study.planned_size.aim, dict(study.planned_size.numbers)) == (
        "unpaired",
        {"sensitivity": 0.85, "difference": 0.15},
    )


def test_a_question_is_asked_again_until_its_answer_can_be_read(tmp_path: Path) -> None:
    asked, given = tmp_path / "asked.yaml", tmp_path / "given.yaml"
    answers = ["by group", "By Training", "by_training", "Training", "Is it?", "Less.", "x' or 1", "Lachman Test"]
    answers += [
        "acl",
        "Anterior cruciate ligament tear",
        "clinic",
        "Training level",
        "residents",
        "resident",
        "Resident, attending",
    ]
    answers += ["sens", "Sensitivity", "85", "0.85, 0.9", "0.85", "0.9", "0.15", "blind", "Known excluded", "any"]
    answers += ["fame", "Teaching", "not research", "Yes", "Later", ""]
    said = CliRunner().invoke(app, ["study", "new", "--out", str(asked)], input="\n".join(answers))
    assert said.exit_code == 0, said.output
    for words in (
        *("'x' or 1' is no maneuver", "'acl' is no condition", "'clinic' is no group", "'fame' is no purpose"),
        *("did you mean 'resident'?", "these are not two groups", "'sens' is no measure", "'85' is no share"),
        *("2 expected figures: write 1, for sensitivity", "no size has these numbers", "'blind' is no answer"),
    ):
        assert words in said.output
    assert said.output.count("(required") >= 10
    assert "of Lachman test, group resident (group attending is taken to be lower" in said.output
    assert CliRunner().invoke(app, _given(given)).exit_code == 0
    assert asked.read_bytes() == given.read_bytes()


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("McMurray", "'mcmurray_medial' or 'mcmurray_lateral'? "),
        ("lachmann", "'lachman'? "),
        ("test", None),  # too many to list
    ],
)
def test_every_maneuver_that_a_word_may_mean_is_offered(typed: str, meant: str | None) -> None:
    with pytest.raises(StudyError) as refused:
        read_tests(typed, load_contract(), "accuracy")
    assert ("did you mean" in str(refused.value)) == (meant is not None)
    assert meant is None or f"did you mean {meant}" in str(refused.value)


def test_a_condition_by_more_words_than_its_name_is_understood() -> None:
    with pytest.raises(StudyError, match="did you mean 'acl_tear'"):
        read_condition("complete ACL tear", load_contract())


@pytest.mark.parametrize(
    ("kind", "measure", "expected", "smallest", "planned"),
    [
        ("accuracy", "both", "0.85,0.9", "0.1", {"sensitivity": 0.85, "specificity": 0.9, "half_width": 0.1}),
        ("accuracy", "specificity", "0.9", "0.8", {"specificity": 0.9, "lower_limit": 0.8}),
        ("paired", "both", "0.85,0.9", "0.1", {"sensitivity": 0.85, "specificity": 0.9, "difference": 0.1}),
        ("by_group", "specificity", "0.9", "0.2", {"specificity": 0.9, "difference": 0.2}),
    ],
)
def test_what_is_expected_plans_the_size(
    kind: str, measure: str, expected: str, smallest: str, planned: dict[str, float], tmp_path: Path
) -> None:
    out = tmp_path / "study.yaml"
    change = {"kind": kind, "measure": measure, "expected": expected, "smallest": smallest}
    change |= {"tests": "lachman,drop_leg_lachman", "between-tests": "Fixed order."} if kind == "paired" else {}
    made = CliRunner().invoke(app, _given(out, *change.items()))
    assert made.exit_code == 0, made.output
    study = load_study(out)
    assert dict(study.planned_size.numbers) == planned
    assert not [one for one in check_study(study) if one.key == "planned_size" and one.must]
    assert measure in ("both", study.planned_size.measure)


def test_a_number_for_each_measure_is_asked_for(tmp_path: Path) -> None:
    made = CliRunner().invoke(app, _given(tmp_path / "study.yaml", ("measure", "both")))
    assert "write 2, for sensitivity and specificity" in str(made.exception)
    assert list(tmp_path.iterdir()) == []


def test_answers_are_kept_where_the_input_ends_and_the_same_command_goes_on(tmp_path: Path) -> None:
    out, whole = tmp_path / "asked.yaml", tmp_path / "given.yaml"
    command = ["study", "new", "--out", str(out)]
    stopped = CliRunner().invoke(app, command, input="\n".join([*LEGAL[:2], "", "", ""]))
    assert isinstance(stopped.exception, StudyError)
    assert "the input ended at the question 'title'; your answers are kept in" in str(stopped.exception)
    assert stopped.output.count("this must be answered") == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["asked.answers.yaml"]
    gone_on = CliRunner().invoke(app, command, input="\n".join(LEGAL[2:]) + "\n")
    assert gone_on.exit_code == 0, gone_on.output
    assert "Short code" not in gone_on.output
    assert CliRunner().invoke(app, _given(whole)).exit_code == 0
    assert out.read_bytes() == whole.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["asked.yaml", "given.yaml"]


def test_a_draft_that_cannot_be_written_loses_no_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("examtally.studies.drafting.write_whole", full)
    said = CliRunner().invoke(app, ["study", "new", "--out", str(tmp_path / "s.yaml")], input="\n".join(LEGAL) + "\n")
    assert "No space left" in str(said.exception)
    assert "kept in" in str(said.exception)
    assert yaml.safe_load((tmp_path / "s.answers.yaml").read_text(encoding="utf-8"))["groups"] == "resident, attending"


def test_what_the_draft_still_owes_is_listed(tmp_path: Path) -> None:
    made = CliRunner().invoke(app, _given(tmp_path / "s.yaml", ("purpose", "research"), ("reader", "later")))
    assert "Still owed before the lock: blinding, governance.data_use_agreement.\n" in made.output
    assert "Next: examtally study check" in made.output


def test_groups_are_asked_for_with_the_days_that_they_mean(tmp_path: Path) -> None:
    answers = [*LEGAL[:7], "acuity", ""]
    said = CliRunner().invoke(app, ["study", "new", "--out", str(tmp_path / "s.yaml")], input="\n".join(answers))
    assert "acute (up to 21 days), subacute (22–84 days), chronic (85 days and over)" in said.output
    assert "[acute, chronic]" in said.output


def test_levels_are_joined_into_one_group(tmp_path: Path) -> None:
    out = tmp_path / "s.yaml"
    made = CliRunner().invoke(app, _given(out, ("group-by", "acuity"), ("groups", "acute, chronic + Subacute")))
    assert made.exit_code == 0, made.output
    assert load_study(out).protocol.comparisons.groups["acuity"] == (("acute", "subacute+chronic"),)
    twice = CliRunner().invoke(app, _given(tmp_path / "t.yaml", ("groups", "resident, resident+fellow")))
    assert "these are not two groups" in str(twice.exception)


def test_degrees_of_the_condition_are_groups(tmp_path: Path) -> None:
    out = tmp_path / "study.yaml"
    assert CliRunner().invoke(app, _given(out, ("group-by", "severity"), ("groups", "complete,partial"))).exit_code == 0
    assert load_study(out).protocol.comparisons.groups["severity"] == (("complete", "partial"),)


def test_a_change_has_its_date(tmp_path: Path) -> None:
    out = tmp_path / "study.yaml"
    run = CliRunner()
    assert "as 2026-03 or P007" in str(run.invoke(app, _given(out, ("kind", "change"), ("since", "spring"))).exception)
    assert run.invoke(app, _given(out, ("kind", "change"), ("since", "2026-03"))).exit_code == 0
    found = load_study(out).primary[0].change
    assert found is not None
    assert found.since == "2026-03"


def test_a_file_that_is_there_is_told_before_anything_is_asked(tmp_path: Path) -> None:
    path = write_draft(ANSWERS, tmp_path / "study.yaml")
    said = CliRunner().invoke(app, ["study", "new", "--out", str(path)], input="accuracy\n")
    assert "What is studied" not in said.output
    assert "exists" in str(said.exception)


LEAST: dict[str, Any] = {
    "study": "least",
    "title": "t",
    "tests": {"classic": {"rule": {"maneuver": "lachman"}}, "drop": {"rule": {"maneuver": "drop_leg_lachman"}}},
    "target": {"condition": "acl_tear"},
    "primary": [{"name": "main", "kind": "accuracy", "tests": ["classic", "drop"]}],
}


@pytest.mark.parametrize(
    ("change", "key", "must"),
    [
        ({}, "question", True),
        ({}, "hypotheses", True),
        ({}, "planned_size.aim", True),
        ({"planned_size": {"aim": "paired", "sensitivity": 0.8}}, "planned_size", True),
        ({"planned_size": {"aim": "unpaired", "sensitivity": 0.1, "difference": 0.2}}, "planned_size", True),
        ({"planned_size": {"aim": "unpaired", "sensitivity": 0.8, "difference": 0.2}}, "planned_size.published", False),
        ({"governance": {"purpose": "research", "determination": "pending"}}, "governance.determination", True),
        ({"governance": {"purpose": "teaching"}}, "governance.learners_covered", False),
        ({"target": {"condition": "patellofemoral_pain"}}, "target.condition", True),
        ({"primary": [{"name": "p", "kind": "paired", "tests": ["classic", "drop"]}]}, "blinding.between_tests", True),
        ({"adjustments": ["none"]}, "adjustments", False),
        (
            {"population": [{"column": "participants.participant_id", "is": "equals", "value": "PT-1"}]},
            "population",
            True,
        ),
        (
            {"population": [{"column": "references.modality", "of": "acl_tear", "is": "equals", "value": "mri"}]},
            "population",
            False,
        ),
        ({"primary": [{"name": "main", "kind": "accuracy", "tests": ["classic"]}]}, "tests.drop", False),
    ],
)
def test_what_a_reviewer_would_miss(change: Mapping[str, Any], key: str, must: bool) -> None:
    remarks = check_study(load_study({**LEAST, **change}))
    assert (key, must) in {(remark.key, remark.must) for remark in remarks}


def test_a_draft_of_another_joint_or_of_the_groups_own_catalogue_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = ["accuracy", "lag_alone", "Lag", "Is it?", "Yes.", "belly_press", "subscapularis_tear", "both", "", ""]
    answers += ["", "", "teaching", "", "", ""]
    names = [name for name in NAMES if name not in ("group-by", "groups")]
    options = [part for name, answer in zip(names, answers, strict=True) for part in (f"--{name}", answer)]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ours.yaml").write_text("extends: shoulder\ntitle: Our shoulder\n", encoding="utf-8")
    (tmp_path / "studies").mkdir()
    for which, title in ((["--joint", "shoulder"], "Shoulder"), (["--catalogue", "ours.yaml"], "Our shoulder")):
        out = Path("studies") / f"{len(title)}.yaml"
        made = CliRunner().invoke(app, ["study", "new", "--out", str(out), *which, *options])
        assert made.exit_code == 0, made.output
        assert load_study(out).base.catalogue.title == title
