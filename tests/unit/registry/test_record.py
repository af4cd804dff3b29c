"""A registry of record: replaced versions, withdrawal, the way back, the log, and what verify sees."""

from __future__ import annotations

import datetime
import hashlib
import hmac
import shutil
from pathlib import Path

import duckdb
import numpy as np
import pytest
from leaks import find_leaks
from records import exam, finding, places, reference, rows_of, rules, send, state, write_csv

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.contracts.mapping.mapping import ExportMapping
from examtally.errors import ExamtallyError, FileFault, RegistryError
from examtally.ingestion import batch, ingest
from examtally.ingestion.checking.hold_back_limit import checked_limit
from examtally.registry import content, open_registry
from examtally.registry.accounts import list_batches, list_held, list_log, newest_seal
from examtally.registry.audit_entry import note_use
from examtally.registry.audit_log import stored_sums
from examtally.registry.content import content_fingerprint, kept_fingerprint
from examtally.registry.undo import undo
from examtally.registry.verifying import verify
from examtally.registry.withdrawal import digest_sql, withdraw


@pytest.fixture(scope="module")
def one_batch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    path = folder / "registry.duckdb"
    send(
        folder,
        path,
        participants=[{"participant_id": f"PT-{n}", "sex": "female"} for n in (1, 2)],
        exams=[exam("EX-1"), exam("EX-2", participant_id="PT-2")],
        findings=[finding("EX-1"), finding("EX-2"), finding("EX-9", "lachman", "negative")],
        references=[reference("RD-1"), reference("RD-2", participant_id="PT-2")],
    )
    return path


@pytest.fixture
def registry(one_batch: Path, tmp_path: Path) -> Path:
    """A copy of each test's own."""
    return Path(shutil.copy(one_batch, tmp_path))


def amend(folder: Path, registry: Path, **tables: list[dict[str, object]]) -> batch.BatchReport:
    """Ingest one batch that may replace what is stored."""
    inside = folder / f"amend-{len(list(folder.glob('amend-*')))}"
    inside.mkdir()
    for name, rows in tables.items():
        write_csv(inside / f"{name}.csv", rows)
    return ingest([inside], registry, amend=True)


def test_without_amend_a_change_is_a_conflict_and_nothing_changes(tmp_path: Path, registry: Path) -> None:
    before = state(registry)
    report = send(tmp_path, registry, findings=[finding("EX-1", result="negative")])
    assert places(report, "findings") == {"conflict": 1}
    assert state(registry) == before
    assert rows_of(registry, "superseded.findings") == []


def test_an_amended_line_keeps_the_version_before_it(tmp_path: Path, registry: Path) -> None:
    report = amend(tmp_path, registry, findings=[finding("EX-1", result="negative"), finding("EX-2")])
    (count,) = report.tables
    assert (count.stored, count.unchanged, count.amended) == (1, 1, 1)
    assert ("EX-1", "negative", 2) in rows_of(registry, "findings", "exam_id, result, batch_no")
    assert rows_of(registry, "superseded.findings", "exam_id, result, batch_no, replaced_by") == [
        ("EX-1", "positive", 1, 2)
    ]
    assert verify(registry).faults == ()


def test_a_waiting_line_is_amended_where_it_waits(tmp_path: Path, registry: Path) -> None:
    report = amend(tmp_path, registry, findings=[finding("EX-9", "lachman", "positive")])
    assert places(report, "findings") == {"waiting": 1}
    assert rows_of(registry, "waiting.findings", "result, batch_no") == [("positive", 2)]
    assert verify(registry).faults == ()
    undo(registry)
    assert rows_of(registry, "waiting.findings", "result, batch_no") == [("negative", 1)]


def test_undo_restores_what_the_last_batch_replaced_and_released(tmp_path: Path, registry: Path) -> None:
    before = state(registry)
    amend(
        tmp_path,
        registry,
        exams=[exam("EX-9"), exam("EX-1", complaint="yes")],
        findings=[finding("EX-1", result="negative"), finding("EX-9", "ober", "negative")],
    )
    assert rows_of(registry, "waiting.findings") == []
    done = undo(registry, operator="OP-1")
    assert (done.batch_no, dict(done.restored)) == (2, {"exams": 1, "findings": 1})
    assert state(registry) == before
    assert [one.action for one in list_log(registry)] == ["ingest", "amend", "undo"]
    assert verify(registry).faults == ()
    assert send(tmp_path, registry, exams=[exam("EX-9")]).batch_no == 3  # a number is never used twice
    undo(registry)
    undo(registry)
    assert all(rows == [] for rows in state(registry).values())
    with pytest.raises(RegistryError, match="no batch to take back"):
        undo(registry)


def test_what_was_undone_is_in_no_page_of_the_file(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, participants=[{"participant_id": "PT-77"}], exams=[exam("EX-77", participant_id="PT-77")])
    assert find_leaks(["PT-77"], registry)
    undo(registry)
    assert find_leaks(["PT-77", "EX-77"], registry) == []


def test_the_digest_is_hmac_sha256() -> None:
    key = "0f" * 32
    expected = hmac.new(bytes.fromhex(key), b"exam:EX-1", hashlib.sha256).hexdigest()
    with duckdb.connect() as con:
        ((found,),) = con.execute(f"select {digest_sql(key, 'exam', 'id')} from (select 'EX-1' as id)").fetchall()
    assert found == expected


def test_after_stop_nothing_new_is_taken(tmp_path: Path, registry: Path) -> None:
    before = state(registry)
    withdraw(registry, "pt-1", erase=False)
    assert state(registry) == before
    report = send(
        tmp_path,
        registry,
        participants=[{"participant_id": "PT-1", "sex": "male"}],
        exams=[exam("EX-1", complaint="yes"), exam("EX-3"), exam("EX-4", participant_id="PT-2")],
        findings=[finding("EX-1", "ober"), finding("EX-3"), finding("EX-4")],
        references=[reference("RD-3")],
    )
    assert rules(report) == {
        ("participants.participant_id.withdrawn", "participant_id"): [2],
        ("exams.participant_id.withdrawn", "participant_id"): [2, 3],
        ("findings.exam_id.withdrawn", "exam_id"): [2, 3],
        ("references.participant_id.withdrawn", "participant_id"): [2],
    }
    later = send(tmp_path, registry, findings=[finding("EX-3", "ober")])
    assert places(later, "findings") == {"held_back": 1}  # it does not wait for an exam that will not come
    assert verify(registry).faults == ()


def test_after_erase_no_trace_is_left_and_a_return_is_stopped(tmp_path: Path, registry: Path) -> None:
    amend(tmp_path, registry, exams=[exam("EX-1", complaint="yes")], findings=[finding("PT-1-E9", "ober")])
    amend(tmp_path, registry, exams=[exam("EX-2", participant_id="PT-2", complaint="no")])
    done = withdraw(registry, "PT-1", erase=True, operator="OP-1")
    assert dict(done.erased) == {
        "stored.participants": 1,
        "stored.exams": 1,
        "stored.findings": 1,
        "stored.references": 1,
        "waiting.findings": 1,
        "superseded.exams": 1,
    }
    assert done.batches == (1, 2)
    assert find_leaks(["PT-1", "EX-1", "RD-1"], registry) == []
    assert [path.name for path in registry.parent.glob("*registry*")] == [registry.name]
    assert verify(registry).faults == ()
    again = send(
        tmp_path,
        registry,
        participants=[{"participant_id": "PT-1"}],
        exams=[exam("EX-1")],
        findings=[finding("EX-1", "ober")],
        references=[reference("RD-1")],
    )
    assert all(table.held_back == table.lines == 1 for table in again.tables)
    assert find_leaks(["PT-1", "EX-1", "RD-1"], registry) == []


def test_erasing_one_person_leaves_another_with_a_longer_code(tmp_path: Path, registry: Path) -> None:
    send(
        tmp_path, registry, participants=[{"participant_id": "PT-12"}], exams=[exam("PT-12-E1", participant_id="PT-12")]
    )
    withdraw(registry, "PT-1", erase=True)
    assert ("PT-12-E1", "PT-12") in rows_of(registry, "exams", "exam_id, participant_id")


def test_a_withdrawal_that_is_no_code_is_told_without_the_value(registry: Path) -> None:
    with pytest.raises(ExamtallyError, match="the participant must be") as fault:
        withdraw(registry, "Jane Doe", erase=True)
    assert "Jane" not in str(fault.value)


def test_the_log_is_a_chain(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, exams=[exam("EX-5", participant_id="PT-2")])
    with duckdb.connect(str(registry)) as con:
        con.execute("update log set operator = 'OP-9' where entry = 1")
    assert [fault.split(":")[0] for fault in verify(registry).faults] == ["log, entry 1"]


@pytest.fixture
def any_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sums of digests are kept of every batch, however few its rows."""
    monkeypatch.setattr(content, "_LARGE", 1)


def _fingerprints(registry: Path) -> tuple[str | None, str]:
    """The fingerprint by the sums that are kept, and by the rows."""
    with open_registry(registry) as opened:
        con, contract = opened.con, load_contract()
        assert opened.fingerprint() == content_fingerprint(con, contract)
        return kept_fingerprint(con, stored_sums(con, contract)), content_fingerprint(con, contract)


@pytest.mark.usefixtures("any_is_large")
def test_the_fingerprint_that_is_kept_is_that_of_the_rows(tmp_path: Path, registry: Path) -> None:
    seen: list[str] = []
    for step in (
        lambda: amend(tmp_path, registry, findings=[finding("EX-1", result="negative")]),
        lambda: send(tmp_path, registry, exams=[exam("EX-9", participant_id="PT-2", episode=2)]),
        lambda: withdraw(registry, "PT-1", erase=True),
        lambda: send(tmp_path, registry, participants=[{"participant_id": "PT-3"}]),
        lambda: undo(registry),
    ):
        step()
        kept, found = _fingerprints(registry)
        assert kept == found
        seen.append(found)
    assert len({*seen}) == 4
    assert seen[2] == seen[4]


@pytest.mark.usefixtures("any_is_large")
def test_a_fingerprint_that_is_kept_does_not_hide_a_change(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, participants=[{"participant_id": "PT-3"}])
    kept, before = _fingerprints(registry)
    assert kept == before
    with duckdb.connect(str(registry)) as con:
        con.execute("update participants set sex = 'male' where participant_id = 'PT-1'")
    kept, after = _fingerprints(registry)
    assert kept is None
    assert after != before


def test_digests_are_kept_of_large_batches_alone(
    tmp_path: Path, registry: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert _fingerprints(registry)[0] is None
    monkeypatch.setattr(content, "_LARGE", 5)
    send(tmp_path, registry, participants=[{"participant_id": "PT-3"}])  # of its one row none are kept
    kept, found = _fingerprints(registry)
    assert kept == found
    with duckdb.connect(str(registry)) as con:
        assert con.execute("select distinct batch_no from fingerprints where part = 'content'").fetchall() == [(1,)]


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("update findings set result = 'negative' where exam_id = 'EX-1'", "the rows are not those"),
        ("delete from exams where exam_id = 'EX-2'", "do not add up"),
        ("insert into exams from exams limit 1", "a key is stored twice"),
        ("delete from fingerprints where \"table\" = 'exams'", "they were changed"),
        ("insert into waiting.findings from findings limit 1", "a line waits for an exam that is there"),
    ],
)
def test_verify_sees_what_another_program_changed(registry: Path, statement: str, words: str) -> None:
    with duckdb.connect(str(registry)) as con:
        con.execute(statement)
    assert any(words in fault for fault in verify(registry).faults)


@pytest.fixture(scope="module")
def full_books(one_batch: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry with something in every table of its bookkeeping."""
    folder = tmp_path_factory.mktemp("kept")
    registry = Path(shutil.copy(one_batch, folder))
    for retried, word in ((None, "maybe"), (2, "perhaps")):
        file = write_csv(folder / f"findings-{word}.csv", [finding("EX-2", "mcmurray_medial", word)])
        ingest([file], registry, operator="OP-1", retries=retried, allow_held=1.0)
    withdraw(registry, "PT-1", erase=True, operator="OP-1")
    note_use(registry, "review", operator="OP-1")
    assert verify(registry).faults == ()
    return registry


@pytest.fixture
def kept(full_books: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(full_books, tmp_path))


TAMPERINGS = (
    "update batches set operator = 'OP-9' where batch_no = 2",
    "update batches set received_at = received_at - interval 1 year where batch_no = 1",
    "update batches set tool_version = '9.9.9'",
    "update batch_tables set fingerprint = repeat('0', 64) where batch_no = 1",
    "update batch_tables set unchanged = unchanged + 1, lines = lines + 1 where batch_no = 1",
    "delete from held_back where batch_no = 2",
    "update held_back set rule = 'findings.pain.enum'",
    "delete from held_by",
    "insert into intake_checks values (1, 'findings', 'r', 'e', 3, 3, 0, false)",
    "delete from retried",
    "delete from tombstones",
    "update tombstone_key set key = repeat('0', 64)",
    "update erased set lines = lines + 1",
    "insert into released values (1, 'findings', 3)",
    "insert into assumptions values (1, 'findings', 'blank_negative', 'lachman', 3)",
    "insert into schema_version values (5, '9.9.9')",
    "update log set operator = 'OP-9' where action = 'review'",
    "create table beside as select 1 as one",
)


@pytest.mark.parametrize("statement", TAMPERINGS)
def test_verify_sees_what_was_changed_in_the_bookkeeping(kept: Path, statement: str) -> None:
    with duckdb.connect(str(kept)) as con:
        con.execute(statement)
    faults = verify(kept).faults
    assert faults
    assert all("\n" not in fault and "PT-" not in fault for fault in faults)


def test_a_seal_kept_elsewhere_tells_a_log_that_was_cut_short(kept: Path) -> None:
    seal = newest_seal(kept)
    assert verify(kept, expect=seal).faults == verify(kept, expect=seal[:16].upper()).faults == ()
    assert len(verify(kept, expect=seal[:15]).faults) == 1
    note_use(kept, "review")
    assert verify(kept, expect=seal).faults == ()
    with duckdb.connect(str(kept)) as con:
        con.execute("delete from log where entry > (select max(entry) - 2 from log)")
    assert verify(kept).faults == (), "the file alone cannot tell"
    assert [fault.split(":")[0] for fault in verify(kept, expect=seal).faults] == ["log"]


def test_ingest_gives_the_seal_that_verify_expects(tmp_path: Path, registry: Path) -> None:
    made = send(tmp_path, registry, exams=[exam("EX-5", participant_id="PT-2")])
    assert made.seal == newest_seal(registry)


def test_a_registry_of_the_form_before_is_sealed_as_it_is_and_keeps_telling(kept: Path) -> None:
    with duckdb.connect(str(kept)) as con:
        con.execute("delete from fingerprints where part = 'bookkeeping'; delete from schema_version where version > 4")
        con.execute("drop table catalogues")
        con.execute("update exams set side = 'right' where exam_id = (select min(exam_id) from exams)")
    note_use(kept, "review")
    faults = verify(kept).faults
    assert len(faults) == 1
    assert faults[0].startswith("exams (stored)"), "what was changed before is not sealed over"
    with duckdb.connect(str(kept)) as con:
        con.execute("delete from tombstones")
    assert any("tombstones (bookkeeping):" in fault for fault in verify(kept).faults)


def test_a_flipped_bit_that_alters_anything_is_seen(tmp_path: Path, registry: Path) -> None:
    """Every flip is told, or changes no record."""
    before, content = state(registry), bytearray(registry.read_bytes())
    copy = tmp_path / "flipped.duckdb"
    seen = 0
    for place in np.random.default_rng(5).integers(0, len(content), 24):
        flipped = bytearray(content)
        flipped[place] ^= 1 << int(place % 8)
        copy.write_bytes(flipped)
        try:
            faults = verify(copy).faults
        except RegistryError as fault:
            faults = (str(fault),)
        assert all("PT-" not in fault and "EX-" not in fault for fault in faults)
        if not faults:
            assert state(copy) == before
        seen += bool(faults)
    assert seen > 4


@pytest.mark.parametrize("share", [0.3, 0.9, 0.99])
def test_a_truncated_registry_is_told(tmp_path: Path, registry: Path, share: float) -> None:
    copy = tmp_path / "short.duckdb"
    content = registry.read_bytes()
    copy.write_bytes(content[: int(share * len(content))])
    with pytest.raises(RegistryError, match=r"cut short|is damaged"):
        verify(copy)


def test_the_same_bytes_under_another_name_are_the_same_batch(tmp_path: Path, registry: Path) -> None:
    first = write_csv(tmp_path / "exams-one.csv", [exam("EX-6", participant_id="PT-2")])
    second = shutil.copy(first, tmp_path / "exams-two.csv")
    assert ingest([first], registry).same_as is None
    again = ingest([second], registry)
    assert (again.same_as, places(again, "exams")) == (2, {"unchanged": 1})
    Path(second).write_bytes(first.read_bytes() + b"\n")
    assert ingest([second], registry).same_as is None


def _poor(folder: Path, bad: int, lines: int) -> Path:
    maneuvers = list(load_contract().catalogue.maneuvers)
    rows = [
        finding("EX-1", maneuver, "maybe" if n < bad else "negative") for n, maneuver in enumerate(maneuvers[:lines])
    ]
    return write_csv(folder / "findings.csv", rows)


def test_a_batch_with_too_much_held_back_is_refused(tmp_path: Path, registry: Path) -> None:
    before = state(registry)
    path = _poor(tmp_path, 10, 30)
    with pytest.raises(FileFault, match=r"10 of 30 lines \(33.3%\).*findings.result.enum \(10\)"):
        ingest([path], registry, allow_held=0.05)
    assert state(registry) == before
    report = ingest([path], registry, allow_held=0.4)
    assert (report.tables[0].held_back, report.batch_no) == (10, 2)


@pytest.mark.parametrize(
    ("mapping", "limit"),
    [(None, 1.0), (ExportMapping("", {}, ()), 0.05), (ExportMapping("", {}, (), held_back_limit=0.2), 0.2)],
)
def test_only_a_mapped_export_has_a_limit_of_its_own(mapping: ExportMapping | None, limit: float) -> None:
    assert checked_limit(None, mapping) == limit
    assert checked_limit(0.3, mapping) == 0.3


def test_the_work_list_groups_and_a_retry_leaves_it(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, findings=[finding("EX-1", "ober", "maybe"), finding("EX-2", "ober", "maybe")])
    (group,) = list_held(registry)
    assert (group.batch_no, group.table, group.rule, group.lines) == (2, "findings", "findings.result.enum", 2)
    assert group.places == ((1, 2), (1, 3))
    mended = write_csv(tmp_path / "findings-mended.csv", [finding("EX-1", "ober"), finding("EX-2", "ober")])
    ingest([mended], registry, retries=2)
    assert list_held(registry) == ()
    assert len(list_held(registry, 2)) == 1
    undo(registry)
    assert len(list_held(registry)) == 1


def test_a_retry_counts_lines_then_and_now(tmp_path: Path, registry: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A line of an export may make several rows: both columns count its lines."""
    (tmp_path / "m.yaml").write_text(
        "title: t\nsources: {a: {}}\ntables:\n  findings:\n    each: {maneuver: {Ober: ober, Sag: posterior_sag}}\n"
        '    cell: "{maneuver}"\n    columns:\n      exam_id: exam\n      maneuver: {each: maneuver}\n'
        "      result: {codes: {neg: negative}}\n",
        encoding="utf-8",
    )
    wrong = write_csv(tmp_path / "export.csv", [{"exam": "EX-1", "Ober": "perhaps", "Sag": "perhaps"}])
    words = ["--mapping", str(tmp_path / "m.yaml"), "--registry", str(registry), "--allow-held", "1"]
    assert main(["ingest", str(wrong), *words]) == 0
    capsys.readouterr()
    assert main(["retry", str(wrong), *words]) == 0
    table = capsys.readouterr().out.split("in this one:")[1]
    row = next(line for line in table.splitlines() if "findings.result.enum" in line)
    assert row.split()[-2:] == ["1", "1"]


def test_the_work_list_names_examiners_the_registry_knows_and_nobody_else(
    tmp_path: Path, registry: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    known = {"examiner_id": "EM-1", "site_id": "ST-4"}
    send(
        tmp_path,
        registry,
        examiners=[known],
        exams=[
            exam("EX-3", examiner_id="EM-1", side="both"),
            exam("EX-4", examiner_id="FERROWBY-7", side="both"),
            exam("EX-5", examiner_id="em-1", participant_id="PT-2"),
        ],
        findings=[
            finding("EX-1", "ober", "maybe"),  # an exam that is stored
            finding("EX-3", "ober", "maybe"),  # an exam that was sent and held back
            finding("EX-4", "ober", "maybe"),
            finding("EX-8", "ober", "maybe"),  # an exam nobody knows
        ],
    )
    groups = {(one.table, one.rule): one for one in list_held(registry)}
    of = {
        key[0]: [(one.examiner_id, one.site_id, one.lines, one.places) for one in group.of]
        for key, group in groups.items()
        if key[1].endswith(".enum")
    }
    assert of == {
        "exams": [("EM-1", "ST-4", 1, ((2, 2),)), (None, None, 1, ((2, 3),))],
        "findings": [("EM-1", "ST-4", 2, ((3, 2), (3, 3))), (None, None, 2, ((3, 4), (3, 5)))],
    }
    assert main(["held", "--registry", str(registry)]) == 0
    shown = capsys.readouterr().out
    assert "examiner EM-1, site ST-4: 2 (3:2-3)" in shown
    assert find_leaks(["FERROWBY"], registry, shown) == []
    undo(registry)
    assert rows_of(registry, "held_by") == []


def test_batches_are_listed_with_their_counts(tmp_path: Path, registry: Path) -> None:
    amend(tmp_path, registry, findings=[finding("EX-1", result="negative")])
    first, second = list_batches(registry)
    assert (first.batch_no, first.lines, first.stored, first.waiting) == (1, 9, 8, 1)
    assert (second.stored, second.amended) == (1, 1)


def test_a_clock_that_goes_backward_changes_no_order(registry: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Entries go by number; what they say of the time is a label."""

    class Earlier(datetime.datetime):
        @classmethod
        def now(cls, tz: datetime.tzinfo | None = None) -> datetime.datetime:
            return datetime.datetime(1999, 12, 31, 23, 59, tzinfo=tz)

    monkeypatch.setattr("examtally.registry.audit_log.datetime", Earlier)
    note_use(registry, "release")
    monkeypatch.undo()
    first, second = list_log(registry)
    assert (first.action, second.action) == ("ingest", "release")
    assert second.at < first.at
    assert verify(registry).faults == ()
