"""The interventions file: declared beforehand or not, and every fault named with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.interventions import load_interventions
from examtally.contracts.protocol.protocol import load_protocol
from examtally.errors import ProtocolError

CONTRACT = load_contract()
MEANT = "should_change:\n      - {condition: acl_tear, maneuver: lachman, measure: sensitivity}"
DOCS = Path(__file__).resolve().parents[3] / "docs" / "interventions.yaml"


def _file(folder: Path, old: str = "", new: str = "") -> Path:
    path = folder / "interventions.yaml"
    text = DOCS.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_the_documented_file_is_read_and_was_declared_before(tmp_path: Path) -> None:
    (one,) = load_interventions(DOCS, CONTRACT)
    assert one.is_prespecified
    assert one.reached.is_everybody
    assert [target.maneuver for target in one.targets] == ["lachman", *["medial_joint_line_tenderness"] * 2]
    (late,) = load_interventions(_file(tmp_path, "P009", "P011"), CONTRACT)
    assert not late.is_prespecified
    target = {"condition": "acl_tear", "maneuver": "lachman", "measure": "specificity"}
    other = {"code": "x", "title": "x", "kind": "other", "period": "P002", "should_change": [target]}
    protocol = load_protocol({"interventions": [other]}, CONTRACT)
    assert load_protocol(protocol.to_dict(), CONTRACT) == protocol
    assert protocol.interventions[0].declared is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("maneuver: lachman", "maneuver: patellar_tap", "line 9.*'patellar_tap' is not a maneuver for acl_tear"),
        ("kind: teaching", "kind: lecture", "line 5.*lecture"),
        ("P011", "March", "line 6.*period"),
        ("P009", "2031-01", "another kind of period"),
        (MEANT, "should_change: []", "names nothing"),
    ],
)  # fmt: skip
def test_faults_are_named_with_their_line(old: str, new: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ProtocolError, match=words):
        load_interventions(_file(tmp_path, old, new), CONTRACT)
