"""Case review: what the reference contradicted, missed conditions first, and nothing else of a record."""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl
import pytest
from records import exam, finding, reference, send

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.errors import ResultsError
from examtally.registry.accounts import list_log
from examtally.results.review import review

PEOPLE = [{"participant_id": f"PT-{number}"} for number in range(1, 5)]
EXAMINERS = [{"examiner_id": "EM-1", "role": "attending"}, {"examiner_id": "EM-2", "role": "resident"}]


@pytest.fixture(scope="module")
def four_people(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    path = folder / "registry.duckdb"
    exams = [
        exam("EX-1"),
        exam("EX-2", participant_id="PT-2", examiner_id="EM-2"),
        exam("EX-3", participant_id="PT-3"),
        exam("EX-9", participant_id="PT-4", period="P040"),
    ]
    findings = [
        finding("EX-1", "lachman", "negative"),
        finding("EX-1", "pivot_shift", "negative"),
        finding("EX-1", "lateral_joint_line_tenderness", "negative"),
        finding("EX-2", "lachman", "positive"),
        finding("EX-3", "lachman", "positive"),
        finding("EX-3", "valgus_stress_30", "equivocal"),
        finding("EX-9", "lachman", "negative"),
    ]
    impressions = [
        {"exam_id": "EX-1", "condition": "acl_tear", "stage": "after_exam", "probability": 0.05},
        {"exam_id": "EX-1", "condition": "acl_tear", "stage": "after_history", "probability": 0.01},
        {"exam_id": "EX-2", "condition": "acl_tear", "stage": "after_exam", "probability": 0.5},
        {"exam_id": "EX-3", "condition": "acl_tear", "stage": "after_exam", "probability": 0.95},
    ]
    references = [
        reference("RF-1", severity="complete"),
        reference("RF-1", "medial_meniscus_tear"),
        reference("RF-1", "lateral_meniscus_tear", status="absent"),
        reference("RF-2", participant_id="PT-2", status="absent"),
        reference("RF-3", participant_id="PT-3", status="present", severity="partial"),
        reference("RF-9", participant_id="PT-4"),
    ]
    send(
        folder,
        path,
        examiners=EXAMINERS,
        participants=PEOPLE,
        exams=exams,
        findings=findings,
        impressions=impressions,
        references=references,
    )
    return path


@pytest.fixture
def registry(four_people: Path, tmp_path: Path) -> Path:
    """A copy of each test's own: every look is entered in its log."""
    return Path(shutil.copy(four_people, tmp_path))


def rows(registry: Path, **which: str) -> list[tuple[object, ...]]:
    found = review(registry, Protocol.defaults(load_contract()), **which)  # type: ignore[arg-type]
    return list(found.select("exam_id", "condition", "maneuver", "finding", "reference", "severity").iter_rows())


def test_a_period_lists_missed_conditions_first(registry: Path) -> None:
    assert rows(registry, period="P001") == [
        ("EX-1", "acl_tear", "lachman", "negative", "present", "complete"),
        ("EX-1", "acl_tear", None, None, "present", "complete"),
        ("EX-2", "acl_tear", "lachman", "positive", "absent", None),
    ]


def test_an_examiner_sees_their_own(registry: Path) -> None:
    assert [row[0] for row in rows(registry, examiner="EM-2")] == ["EX-2"]


def test_a_window_still_open_is_not_reviewed(registry: Path) -> None:
    assert rows(registry, period="P040") == []


def test_an_outer_line_does_not_answer_for_an_inner_tear(registry: Path) -> None:
    assert all(row[2] != "lateral_joint_line_tenderness" for row in rows(registry, period="P001"))


def test_no_examiner_stands_in_a_period(registry: Path) -> None:
    found = review(registry, Protocol.defaults(load_contract()), period="P001")
    assert "examiner_id" not in found.columns


def test_each_opening_is_logged_with_counts_only(registry: Path) -> None:
    rows(registry, examiner="EM-2")
    entry = list_log(registry)[-1]
    assert entry.action == "review"
    assert '"rows": 1' in entry.details
    assert "EM-2" not in entry.details
    assert "EX-" not in entry.details


@pytest.mark.parametrize("which", [{}, {"examiner": "EM-1", "period": "P001"}])
def test_one_of_two_is_asked(registry: Path, which: dict[str, str]) -> None:
    with pytest.raises(ResultsError, match="one of --examiner and --period"):
        rows(registry, **which)


def test_an_unknown_code_is_refused_without_saying_it(registry: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", "--registry", str(registry), "--examiner", "EM-77"]) == 7
    said = capsys.readouterr().err
    assert "no exam by that examiner" in said
    assert "EM-77" not in said
    assert said.count("\n") == 1


def test_the_command_prints_a_list(registry: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", "--registry", str(registry), "--period", "P001"]) == 0
    said = capsys.readouterr().out
    assert "3 findings contradicted in 2 exams; 2 missed" in said
    assert "stated 5%" in said


def test_a_missed_injury_is_what_the_protocol_calls_unlikely(registry: Path) -> None:
    protocol = load_protocol({"monitoring": {"unlikely": 0.04}}, load_contract())
    found = review(registry, protocol, period="P001")
    assert found.filter(pl.col("probability").is_not_null()).is_empty()
