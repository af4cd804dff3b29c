"""Tables beside the registry: every record once, under its site, private, and whole or as they were."""

from __future__ import annotations

import shutil
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from records import exam, finding, reference, send, write_csv

from examtally.cli.app import main
from examtally.errors import RegistryError
from examtally.ingestion import ingest
from examtally.registry import open_registry, table_set
from examtally.registry.table_set import read_table_set, write_table_set
from examtally.spark.records import SparkRecords

NO_ENGINE: Any = None


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sites, one exam by hands of no site, an amended finding and a line that waits."""
    folder = tmp_path_factory.mktemp("tables")
    registry = folder / "registry.duckdb"
    hands = [{"examiner_id": f"EM-{n}", "role": "attending", "site_id": f"S-{n}"} for n in (1, 2)]
    hands.append({"examiner_id": "EM-9", "role": "attending"})
    exams = [exam(f"EX-{n}", participant_id=f"PT-{n % 4}", examiner_id=f"EM-{1 + n % 2}", exam_day=n) for n in range(8)]
    exams.append(exam("EX-9", participant_id="PT-9", examiner_id="EM-9"))
    findings = [finding(f"EX-{n}", "lachman", "negative") for n in range(8)]
    readings = [reference(f"RD-{n}", participant_id=f"PT-{n}") for n in range(4)]
    people = [{"participant_id": f"PT-{n}", "sex": "female"} for n in (0, 1, 2, 3, 9)]
    send(folder, registry, participants=people, examiners=hands, exams=exams, findings=findings, references=readings)
    (folder / "more").mkdir()
    lines = [finding("EX-1", "lachman", "positive"), finding("EX-77", "lachman", "positive")]
    write_csv(folder / "more" / "findings.csv", lines)
    ingest([folder / "more"], registry, amend=True, operator="OP-1")
    return registry


@pytest.fixture
def tables(registry: Path, tmp_path: Path) -> Path:
    write_table_set(registry, tmp_path / "tables")
    return tmp_path / "tables"


def _by_site(tables: Path, name: str, key: str) -> dict[str, str]:
    files = str(tables / "records" / name / "*" / "*.parquet")
    query = f"select {key}, site from read_parquet('{files}', hive_partitioning = true)"
    with duckdb.connect() as con:
        rows = con.execute(query).fetchall()
    assert len(dict(rows)) == len(rows)
    return dict(rows)


def _bytes(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_every_record_lies_once_under_its_site(registry: Path, tables: Path) -> None:
    found = read_table_set(tables)
    with open_registry(registry) as opened:
        assert found.fingerprint == opened.fingerprint()
    exams = {f"EX-{n}": f"S-{1 + n % 2}" for n in range(8)}
    assert _by_site(tables, "exams", "exam_id") == exams | {"EX-9": "unknown"}
    assert _by_site(tables, "findings", "exam_id") == exams
    people = {f"PT-{n}": f"S-{1 + n % 2}" for n in range(4)}
    assert _by_site(tables, "participants", "participant_id") == people | {"PT-9": "unknown"}
    assert _by_site(tables, "references", "participant_id") == people
    assert _by_site(tables, "examiners", "examiner_id") == {"EM-1": "S-1", "EM-2": "S-2", "EM-9": "unknown"}
    assert {name: rows for name, rows in found.rows.items() if rows and name.startswith(("superseded", "waiting"))} == {
        "superseded/findings": 1,
        "waiting/findings": 1,
    }


def test_tables_are_private_and_name_no_operator_and_no_waiting_line(tables: Path) -> None:
    for path in [tables, *tables.rglob("*")]:
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0
    files = [str(path) for path in tables.rglob("*.parquet") if path.parent.name in ("bookkeeping", "waiting")]
    with duckdb.connect() as con:
        told = [con.execute(f"select * from read_parquet('{file}')").fetchall() for file in files]
    assert "OP-1" not in str(told)
    assert "EX-77" not in str(told)


def test_tables_are_replaced_whole_and_nothing_else_is(registry: Path, tables: Path) -> None:
    before = read_table_set(tables)
    assert write_table_set(registry, tables).fingerprint == before.fingerprint
    other = tables.parent / "other"
    other.mkdir()
    (other / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(RegistryError, match="holds no tables"):
        write_table_set(registry, other)
    with pytest.raises(RegistryError, match="is a file"):
        write_table_set(registry, other / "letter.txt")
    assert _bytes(other) == {"letter.txt": b"mine"}
    assert sorted(path.name for path in tables.parent.iterdir()) == ["other", "tables"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt, OSError])
def test_a_writer_that_is_stopped_leaves_the_earlier_tables(
    registry: Path, tables: Path, monkeypatch: pytest.MonkeyPatch, fault: type[BaseException]
) -> None:
    before = _bytes(tables)

    def stop(*_: object) -> list[str]:
        raise fault

    monkeypatch.setattr(table_set, "_fingerprints", stop)
    with pytest.raises((KeyboardInterrupt, RegistryError)):
        write_table_set(registry, tables)
    assert _bytes(tables) == before
    assert [path.name for path in tables.parent.iterdir()] == ["tables"]


def test_tables_that_lack_a_record_are_not_written(
    registry: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table_set, "_site_of", lambda _: "join exam_sites s on false")
    with pytest.raises(RegistryError, match="do not hold what the registry holds"):
        write_table_set(registry, tmp_path / "tables")
    assert list(tmp_path.iterdir()) == []


def _changed(tables: Path) -> Iterator[str]:
    file = next(tables.rglob("findings/*/*.parquet"))
    content = file.read_bytes()
    file.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    yield "1 of .* files"
    file.write_bytes(content)
    shutil.copy(file, file.with_name("more.parquet"))
    yield "1 of .* files"
    file.with_name("more.parquet").unlink()
    manifest = tables / "manifest.json"
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text.replace('"version": 1', '"version": 9'), encoding="utf-8")
    yield "of another version"
    manifest.write_text("[]", encoding="utf-8")
    yield "holds no tables"


def test_changed_tables_are_refused_in_one_line_without_a_code(tables: Path) -> None:
    for said in _changed(tables):
        with pytest.raises(RegistryError, match=said) as fault:
            read_table_set(tables)
        assert "\n" not in str(fault.value)
        assert "S-1" not in str(fault.value)


def test_an_analysis_of_tables_that_were_replaced_meanwhile_is_refused(registry: Path, tables: Path) -> None:
    own = tables.with_name("registry.duckdb")
    shutil.copy(registry, own)
    records = SparkRecords(read_table_set(tables), NO_ENGINE)
    write_table_set(own, tables)
    assert records.fingerprint() == read_table_set(tables).fingerprint, "the same tables again"
    send(tables.parent, own, exams=[exam("EX-60", participant_id="PT-1", examiner_id="EM-1", exam_day=60)])
    write_table_set(own, tables)
    with pytest.raises(RegistryError, match="written anew or removed meanwhile"):
        records.fingerprint()
    shutil.rmtree(tables)
    with pytest.raises(RegistryError, match="written anew or removed meanwhile"):
        records.fingerprint()


def test_ingest_writes_tables_after_the_batch(
    registry: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "registry.duckdb"
    shutil.copy(registry, own)
    write_csv(tmp_path / "exams.csv", [exam("EX-50", participant_id="PT-1", examiner_id="EM-1", exam_day=50)])
    words = ["ingest", str(tmp_path / "exams.csv"), "--registry", str(own), "--to", str(tmp_path / "tables")]
    assert main(words) == 0
    assert "as private as the registry" in capsys.readouterr().out
    assert _by_site(tmp_path / "tables", "exams", "exam_id")["EX-50"] == "S-1"
    (tmp_path / "tables" / "manifest.json").write_text("", encoding="utf-8")
    before = own.read_bytes()
    assert main(words) == 4
    assert own.read_bytes() == before
