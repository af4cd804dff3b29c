"""Every line of a batch ends in exactly one place."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from records import exam, finding, places, reference, rows_of, rules, send, write_csv

from examtally.cli.app import main
from examtally.ingestion import check
from examtally.ingestion.storing.ledger import MOST_RUNS
from examtally.registry import open_registry
from examtally.registry.accounts import list_held


@pytest.fixture
def registry(tmp_path: Path) -> Path:
    return tmp_path / "registry.duckdb"


def _fingerprint(registry: Path) -> str:
    with open_registry(registry) as opened:
        return opened.fingerprint()


def test_the_same_files_twice_change_nothing(tmp_path: Path, registry: Path) -> None:
    batch = {"exams": [exam("EX-1")], "findings": [finding("EX-1"), finding("EX-9")]}
    first = send(tmp_path, registry, **batch)
    before = _fingerprint(registry), rows_of(registry, "waiting.findings")
    second = send(tmp_path, registry, **batch)
    assert places(first, "findings") == {"stored": 1, "waiting": 1}
    assert places(second, "exams") == {"unchanged": 1}
    assert places(second, "findings") == {"unchanged": 2}
    assert (_fingerprint(registry), rows_of(registry, "waiting.findings")) == before
    assert rows_of(registry, "batches", "batch_no") == [(1,), (2,)]


def test_of_two_identical_lines_one_is_stored_and_one_unchanged(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, exams=[exam("EX-1"), exam("ex-1"), exam("EX-1", episode="1")])
    assert places(report, "exams") == {"stored": 1, "unchanged": 2}  # a blank episode is episode 1


def test_the_same_number_written_otherwise_is_the_same_content(tmp_path: Path, registry: Path) -> None:
    measured = [finding("EX-1", measure=text) for text in ("5", "5.0", "+5", "05")]
    report = send(tmp_path, registry, exams=[exam("EX-1")], findings=measured)
    assert places(report, "findings") == {"stored": 1, "unchanged": 3}
    again = send(tmp_path, registry, findings=[finding("EX-1", measure="5.00")])
    assert places(again, "findings") == {"unchanged": 1}


def test_differing_lines_of_one_key_are_all_held_back(tmp_path: Path, registry: Path) -> None:
    report = send(
        tmp_path,
        registry,
        exams=[exam("EX-1")],
        findings=[finding("EX-1"), finding("EX-1", result="negative"), finding("EX-1"), finding("EX-1", "pivot_shift")],
    )
    assert places(report, "findings") == {"stored": 1, "held_back": 3}
    assert rules(report) == {("findings.exam_id+maneuver.unique", "exam_id+maneuver"): [2, 3, 4]}


def test_a_line_that_fails_makes_its_passing_namesake_doubtful(tmp_path: Path, registry: Path) -> None:
    report = send(
        tmp_path, registry, exams=[exam("EX-1")], findings=[finding("EX-1"), finding("EX-1", result="perhaps")]
    )
    assert places(report, "findings") == {"held_back": 2}


def test_lines_without_a_key_are_not_namesakes(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, exams=[exam(""), exam("", side="right")])
    assert rules(report) == {("exams.exam_id.required", "exam_id"): [2, 3]}


def test_other_content_under_a_stored_key_is_a_conflict_kept_as_columns(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, exams=[exam("EX-1")], findings=[finding("EX-1", grade=1)])
    before = _fingerprint(registry)
    report = send(tmp_path, registry, findings=[finding("EX-1", result="negative", pain="yes")])
    assert places(report, "findings") == {"conflict": 1}
    assert _fingerprint(registry) == before
    kept = rows_of(registry, "held_back", 'batch_no, "table", file_no, line, "column", rule, kind')
    assert kept == [(2, "findings", 1, 2, "result", "findings.conflict", "conflict")]


def test_a_finding_waits_for_its_exam_and_is_moved_with_it(tmp_path: Path, registry: Path) -> None:
    first = send(tmp_path, registry, findings=[finding("EX-1"), finding("EX-2")])
    assert places(first, "findings") == {"waiting": 2}
    assert rows_of(registry, "findings") == []
    second = send(tmp_path, registry, exams=[exam("EX-1")])
    assert places(second, "findings") == {"released": 1}
    assert rows_of(registry, "findings", "exam_id, batch_no") == [("EX-1", 1)]
    assert rows_of(registry, "waiting.findings", "exam_id, batch_no") == [("EX-2", 1)]
    assert rows_of(registry, "released", 'batch_no, "table", lines') == [(2, "findings", 1)]


def test_a_waiting_line_counts_as_known(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, findings=[finding("EX-1"), finding("EX-2")])
    again = send(tmp_path, registry, findings=[finding("EX-1"), finding("EX-2", result="negative")])
    assert places(again, "findings") == {"unchanged": 1, "conflict": 1}
    with_exam = send(
        tmp_path, registry, exams=[exam("EX-1")], findings=[finding("EX-1"), finding("EX-1", "pivot_shift")]
    )
    assert places(with_exam, "findings") == {"stored": 1, "unchanged": 1, "released": 1}


def test_of_two_identical_waiting_lines_one_waits(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, findings=[finding("EX-1"), finding("EX-1")])
    assert places(report, "findings") == {"waiting": 1, "unchanged": 1}


def test_findings_of_an_exam_held_back_wait(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, exams=[exam("EX-1", side="both")], findings=[finding("EX-1")])
    assert places(report, "exams") == {"held_back": 1}
    assert places(report, "findings") == {"waiting": 1}
    mended = send(tmp_path, registry, exams=[exam("EX-1")])
    assert places(mended, "findings") == {"released": 1}


def test_history_and_impressions_wait_too(tmp_path: Path, registry: Path) -> None:
    report = send(
        tmp_path,
        registry,
        history=[{"exam_id": "EX-1", "item": "pop", "answer": "yes"}],
        impressions=[{"exam_id": "EX-1", "condition": "acl_tear", "stage": "after_exam", "probability": 0.3}],
    )
    assert places(report, "history") == places(report, "impressions") == {"waiting": 1}
    released = send(tmp_path, registry, exams=[exam("EX-1")])
    assert places(released, "history") == places(released, "impressions") == {"released": 1}


def test_without_a_table_of_participants_any_participant_will_do(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, exams=[exam("EX-1")], references=[reference("RF-1", participant_id="PT-7")])
    assert places(report, "exams") == places(report, "references") == {"stored": 1}


def test_with_a_table_of_participants_a_stranger_is_held_back(tmp_path: Path, registry: Path) -> None:
    report = send(
        tmp_path,
        registry,
        participants=[{"participant_id": "PT-1"}],
        exams=[exam("EX-1"), exam("EX-2", participant_id="PT-2"), exam("EX-2", participant_id="PT-2")],
        references=[reference("RF-1", participant_id="PT-2")],
        findings=[finding("EX-2")],
    )
    assert places(report, "exams") == {"stored": 1, "held_back": 2}
    assert places(report, "findings") == {"waiting": 1}
    assert rules(report) == {
        ("exams.participant_id.reference", "participant_id"): [3, 4],
        ("references.participant_id.reference", "participant_id"): [2],
    }
    later = send(tmp_path, registry, exams=[exam("EX-3", participant_id="PT-3")])
    assert places(later, "exams") == {"held_back": 1}  # the registry has participants now


def test_a_participant_held_back_is_no_participant(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, participants=[{"participant_id": "PT-1", "age_years": 300}], exams=[exam("EX-1")])
    assert places(report, "exams") == {"held_back": 1}


def test_with_a_table_of_examiners_an_unknown_one_is_held_back(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, examiners=[{"examiner_id": "EM-2"}], exams=[exam("EX-1")])
    assert rules(report) == {("exams.examiner_id.reference", "examiner_id"): [2]}


def test_what_is_stored_stays_unchanged_when_its_participant_turns_out_unknown(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, exams=[exam("EX-1")])
    report = send(tmp_path, registry, participants=[{"participant_id": "PT-9"}], exams=[exam("EX-1")])
    assert places(report, "exams") == {"unchanged": 1}


def test_several_files_of_one_table_are_one_table(tmp_path: Path, registry: Path) -> None:
    report = send(
        tmp_path, registry, exams=[exam("EX-1")], **{"findings-1": [finding("EX-1")], "findings-2": [finding("EX-1")]}
    )
    assert places(report, "findings") == {"stored": 1, "unchanged": 1}
    assert [(file.file_no, file.stored, file.unchanged) for file in report.files if file.table == "findings"] == [
        (2, 1, 0),
        (3, 0, 1),
    ]


def test_lines_are_those_of_their_own_file(tmp_path: Path, registry: Path) -> None:
    report = send(
        tmp_path,
        registry,
        **{
            "findings-1": [finding("EX-1"), finding("EX-2", "nothing")],
            "findings-2": [finding("EX-3", "nothing", pain="no")],
        },
    )
    (broken,) = report.held_back
    assert [(line.file_no, line.line) for line in broken.first] == [(1, 3), (2, 2)]


def test_a_check_says_what_ingest_then_does(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, exams=[exam("EX-1")], findings=[finding("EX-9")])
    folder = tmp_path / "batch-1"
    before = registry.read_bytes()
    folder.mkdir()
    (folder / "findings.csv").write_text(
        "exam_id,maneuver,result\nEX-1,lachman,positive\nEX-9,lachman,positive\nEX-8,x,y\n"
    )
    foretold = check([folder], registry)
    assert registry.read_bytes() == before
    assert foretold.batch_no is None
    assert places(foretold, "findings") == {"stored": 1, "unchanged": 1, "held_back": 1}
    empty = check([folder])
    assert places(empty, "findings") == {"waiting": 2, "held_back": 1}


def test_an_account_of_every_batch_is_kept_without_names(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, **{"exams-left knee": [exam("EX-1")]})
    (row,) = rows_of(registry, "batch_tables")
    assert row[:3] == (1, "exams", 1)
    assert row[3:] == (report.files[0].fingerprint, report.files[0].bytes, 1, 1, 0, 0, 0, 0)
    assert report.batch_no == 1


def test_a_batch_that_stores_no_exam_says_so_first(
    tmp_path: Path, registry: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With a date as the day every exam is held back, and every finding waits: a stored batch in name only."""
    dated = [exam(f"EX-{n}", exam_day="2026-03-14") for n in range(3)]
    records = [write_csv(tmp_path / "exams.csv", dated), write_csv(tmp_path / "findings.csv", [finding("EX-1")])]
    words = [*map(str, records), "--registry", str(registry)]
    assert main(["ingest", *words]) == 0
    first, second, *_ = capsys.readouterr().out.splitlines()
    assert first.startswith("No line of exams was stored: of 3, 3 held back, most by exams.exam_day.")
    assert "1 line of another table waits for them. Mend: " in first
    assert first.endswith("`examtally retry`.")
    assert second == "Batch 1 is stored without them."
    assert main(["check", *words, "--json"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["batch_no"] is None
    assert "No line of exams would be stored: of 3, 3 held back" in said.err
    assert "No line of findings" not in said.err


def test_lines_that_are_there_or_wait_are_no_empty_batch(tmp_path: Path, registry: Path) -> None:
    sent = {"exams": [exam("EX-1"), exam("EX-2", side="up")], "findings": [finding("EX-9")]}
    assert send(tmp_path, registry, **sent).none_stored() == ()
    assert send(tmp_path, registry, **sent).none_stored() == ()
    (said,) = send(tmp_path, registry, exams=[exam("EX-1", side="right")]).none_stored()
    assert said.startswith("No line of exams was stored: of 1, 1 in conflict, most by exams.conflict. Mend: ")


def test_every_line_of_a_rule_is_told_as_runs(
    tmp_path: Path, registry: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = {*range(3, 20), 25, 28, 29}
    sent = [exam(f"EX-{line}", side="both" if line in wrong else "left") for line in range(2, 31)]
    (held,) = send(tmp_path, registry, exams=sent).held_back
    assert [(run.file_no, run.first, run.last) for run in held.runs] == [(1, 3, 19), (1, 25, 25), (1, 28, 29)]
    assert [line.line for line in held.first] == [3, 4, 5, 6, 7]
    assert main(["check", str(write_csv(tmp_path / "exams.csv", sent))]) == 0
    assert "  exams.side.enum: 20 lines (3-19, 25, 28-29)\n" in capsys.readouterr().out
    every_other = [exam(f"EX-{line}", side="both" if line % 2 else "left") for line in range(2, 2 * MOST_RUNS + 40)]
    (held,) = check([write_csv(tmp_path / "exams.csv", every_other)], second_engine=False).held_back
    assert (held.lines, len(held.runs), held.runs[-1].last) == (MOST_RUNS + 19, MOST_RUNS, 2 * MOST_RUNS + 1)
    assert main(["check", str(tmp_path / "exams.csv")]) == 0
    assert "23, 25 …)" in capsys.readouterr().out


def test_several_lines_made_of_one_are_no_lines_left_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "visits.csv").write_text("id,lachman,drawer\nJohn Roe,pos,neg\nEX-2,pos,neg\n", encoding="utf-8")
    mapping = tmp_path / "m.yaml"
    mapping.write_text(
        "title: t\nsources: {a: {}}\ntables:\n  findings:\n    each: {maneuver: {lachman: lachman, drawer: "
        "anterior_drawer}}\n    cell: '{maneuver}'\n    columns: {exam_id: id, maneuver: {each: maneuver}, result: "
        "{codes: {pos: positive, neg: negative}}}\n",
        encoding="utf-8",
    )
    assert main(["check", str(tmp_path / "visits.csv"), "--mapping", str(mapping)]) == 0
    assert "  findings.exam_id.pseudonym: 2 lines (made of 2 column 1)\n" in capsys.readouterr().out


def test_a_cell_that_may_identify_somebody_is_told_once(tmp_path: Path, registry: Path) -> None:
    """That it is no number either goes without saying, and would be mended in another way; the registry keeps both."""
    sent = [exam("EX-1", exam_day="2026-03-14"), exam("EX-2", exam_day="soon")]
    told = [("exams.exam_day.type", [3]), ("exams.exam_day.screen_date", [2])]
    report = send(tmp_path, registry, exams=sent)
    assert [(one.rule, [run.first for run in one.runs]) for one in report.held_back] == told
    assert [(one.rule, one.lines) for one in report.held_back] == [(rule, 1) for rule, _ in told]
    listed = {one.rule: [line for _, line in one.places] for one in list_held(registry)}
    assert listed == dict(told)
    kept = rows_of(registry, "held_back", "rule, line")
    assert sorted(kept) == [("exams.exam_day.screen_date", 2), ("exams.exam_day.type", 2), ("exams.exam_day.type", 3)]
