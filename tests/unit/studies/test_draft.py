"""The draft of `study new` can be read whatever was answered, and `study check` says what it lacks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from examtally.cli.app import app
from examtally.contracts.study.study import load_study
from examtally.errors import ExamtallyError
from examtally.studies.answers import KINDS
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
    answers = replace(ANSWERS, kind=kind, tests=("lachman", "drop_leg_lachman"), purpose="research")
    study = load_study(write_draft(answers, tmp_path / "study.yaml"))
    assert study.title == ANSWERS.title
    assert study.question == ANSWERS.question
    assert study.primary[0].kind == kind
    missing = {remark.key for remark in check_study(study) if remark.must}
    assert {"blinding", "planned_size.aim", "governance.determination"} <= missing


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


def test_questions_and_options_give_the_same_draft(tmp_path: Path) -> None:
    asked, given = tmp_path / "asked.yaml", tmp_path / "given.yaml"
    answers = ["by_group", "by_training", "Training", "Is it?", "Less.", "lachman", "acl_tear", "role", "teaching"]
    run = CliRunner()
    assert run.invoke(app, ["study", "new", "--out", str(asked)], input="\n".join(answers) + "\n").exit_code == 0
    names = ("kind", "code", "title", "question", "hypothesis", "tests", "condition", "group-by", "purpose")
    options = [part for name, answer in zip(names, answers, strict=True) for part in (f"--{name}", answer)]
    assert run.invoke(app, ["study", "new", "--out", str(given), *options]).exit_code == 0
    assert asked.read_bytes() == given.read_bytes()


def test_a_question_is_asked_again_until_its_answer_can_be_read(tmp_path: Path) -> None:
    asked, given = tmp_path / "asked.yaml", tmp_path / "given.yaml"
    answers = ["by group", "By Training", "by_training", "Training", "Is it?", "Less.", "x' or 1", "Lachman Test"]
    answers += ["acl", "Anterior cruciate ligament tear", "clinic", "Thigh band", "fame", "Teaching"]
    said = CliRunner().invoke(app, ["study", "new", "--out", str(asked)], input="\n".join(answers))
    assert said.exit_code == 0, said.output
    for words in ("'x' or 1' is no maneuver", "'acl' is no condition", "'clinic' is no group", "'fame' is no purpose"):
        assert words in said.output
    legal = ["by_group", "by_training", "Training", "Is it?", "Less.", "lachman", "acl_tear", "thigh_band", "teaching"]
    run = CliRunner().invoke(app, ["study", "new", "--out", str(given)], input="\n".join(legal))
    assert run.exit_code == 0
    assert asked.read_bytes() == given.read_bytes()


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
    answers = ["accuracy", "lag_alone", "Lag", "Is it?", "Yes.", "belly_press", "subscapularis_tear", "teaching"]
    names = ("kind", "code", "title", "question", "hypothesis", "tests", "condition", "purpose")
    options = [part for name, answer in zip(names, answers, strict=True) for part in (f"--{name}", answer)]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ours.yaml").write_text("extends: shoulder\ntitle: Our shoulder\n", encoding="utf-8")
    (tmp_path / "studies").mkdir()
    for which, title in ((["--joint", "shoulder"], "Shoulder"), (["--catalogue", "ours.yaml"], "Our shoulder")):
        out = Path("studies") / f"{len(title)}.yaml"
        made = CliRunner().invoke(app, ["study", "new", "--out", str(out), *which, *options])
        assert made.exit_code == 0, made.output
        assert load_study(out).base.catalogue.title == title
