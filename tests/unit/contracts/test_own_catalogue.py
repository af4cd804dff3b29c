"""A group's own catalogue: a file to begin with, its faults all at once, what a page would not show."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from examtally.cli.app import main
from examtally.contracts import own_catalogue
from examtally.contracts.own_catalogue import check_catalogue, new_catalogue, unseen_conditions

OURS = """\
extends: knee
maneuvers:
  waddle:
    name: Waddle in full squat
    phase: special
    purpose: diagnostic
    conditions: [{condition}]
    positive: A click or pain at the joint line while walking in full squat.
    signs: [click, tenderness]
    technique: Full squat, six steps forward; stop at pain.
    cautions:
      - Stop at the patient's word.
    synonyms: [waddle]
conditions:
  irritated_fold:
    name: Irritated fold
    plain: A fold of the joint's lining that has thickened and rubs.
    present_means: Arthroscopy shows a thickened fold.
    settled_by: [arthroscopy]
    window_days: [0, 90]
"""


def _written(folder: Path, text: str) -> Path:
    path = folder / "our_knee.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("joint", ["knee", "shoulder", "ankle"])
def test_the_file_to_begin_with_is_a_catalogue_as_it_is_and_with_its_remarks_taken_away(
    joint: str, tmp_path: Path
) -> None:
    text = new_catalogue(joint)
    assert check_catalogue(_written(tmp_path, text)).faults == ()
    ours = re.sub(r"(?m)^#(?=  (  |our_))", "", text).replace("{}", "").replace("# take the  away", "#")
    found = check_catalogue(_written(tmp_path, ours))
    assert [fault.line for fault in found.faults] == []
    assert found.catalogue is not None
    assert "our_test" in found.catalogue.maneuvers


def test_every_fault_is_named_at_once_with_the_nearest_legal_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = OURS.format(condition="medial_meniscal_tear").replace("technique:", "tecnique:")
    assert main(["catalogue", "check", str(_written(tmp_path, text))]) != 0
    said = capsys.readouterr().err
    assert "did you mean 'technique'" in said
    assert "did you mean 'medial_meniscus_tear'" in said
    assert "for example" in said


@pytest.mark.parametrize("joint", ["knee", "ankle"])
def test_an_example_is_yaml_to_copy(joint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(own_catalogue, "_LONGEST_EXAMPLE", 10_000)
    text = OURS.replace("knee", joint).format(condition="nothing").replace("positive:", "grades: none\n    positive:")
    examples = [fault.example for fault in check_catalogue(_written(tmp_path, text)).faults if fault.example]
    read = [yaml.safe_load("{" + re.sub("^as in [a-z_0-9]+: ", "", example) + "}") for example in examples]
    (grades,) = (entry["grades"] for entry in read if "grades" in entry)
    assert [*grades] == [*range(len(grades))]
    assert all(isinstance(meaning, str) for meaning in grades.values())


def test_a_condition_that_no_maneuver_speaks_of_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = _written(tmp_path, OURS.format(condition="medial_meniscus_tear"))
    assert main(["catalogue", "check", str(path)]) == 0
    assert "No maneuver speaks of irritated_fold" in capsys.readouterr().out
    found = check_catalogue(_written(tmp_path, OURS.format(condition="irritated_fold"))).catalogue
    assert found is not None
    assert unseen_conditions(found) == ()
