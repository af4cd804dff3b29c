"""Files that unpack to more than they seem, and things that are no files: one line, and nothing is read."""

from __future__ import annotations

import gzip
import os
import socket
import sys
import zipfile
from pathlib import Path

import duckdb
import pytest
from records import exam, write_csv

from examtally.errors import FileFault
from examtally.ingestion import check
from examtally.ingestion.mapping import text_copy
from examtally.ingestion.reading import limits, lines, sheet

MAPPING = """
title: A list
sources: {list: {files: "list*", encoding: latin-1}}
tables:
  exams:
    from: list
    columns: {exam_id: exam, participant_id: person, side: knee, examiner_id: by, period: month, exam_day: day}
"""
ROWS = [exam(f"EX-{number}") for number in range(400)]


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """A mapping file, for exports called list."""
    path = tmp_path / "mapping.yaml"
    path.write_text(MAPPING, encoding="utf-8")
    return path


def _told(*paths: Path, mapping: Path | None = None) -> str:
    with pytest.raises(FileFault) as fault:
        check(list(paths), mapping=mapping)
    return str(fault.value)


def test_a_gzip_file_that_unpacks_to_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "exams.csv.gz"
    path.write_bytes(gzip.compress(write_csv(tmp_path / "exams.csv", ROWS).read_bytes()))
    monkeypatch.setattr(lines, "MOST_BYTES", 9000)
    assert "holds more than" in _told(path)
    monkeypatch.setattr(lines, "MOST_BYTES", 90_000)
    assert check([path]).is_clean


def test_a_gzip_export_in_another_encoding(tmp_path: Path, export: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "list.csv.gz"
    path.write_bytes(gzip.compress(b"exam,person,knee,by,month,day\n" + b"V-1,P-1,left,E-1,P001,0\n" * 900))
    monkeypatch.setattr(text_copy, "MOST_BYTES", 9000)
    assert "holds more than" in _told(path, mapping=export)


def test_a_line_without_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lines, "_CHUNK", 1000)
    monkeypatch.setattr(lines, "LONGEST_LINE", 3000)
    path = tmp_path / "exams.csv"
    path.write_bytes(write_csv(path, ROWS[:3]).read_bytes() + b"x" * 100_000)
    assert "has a line of more than" in _told(path)
    assert "(line 5)" in _told(path)


def test_more_columns_than_a_table_can_have(tmp_path: Path) -> None:
    path = tmp_path / "exams.csv"
    path.write_text(",".join(f"c{number}" for number in range(limits.MOST_COLUMNS + 1)) + "\n", encoding="utf-8")
    assert "has more than 2,000 columns" in _told(path)


def test_a_parquet_file_of_endless_blanks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "exams.parquet"
    source = write_csv(tmp_path / "exams.csv", ROWS)
    with duckdb.connect() as connection:  # the module's own connection may hold another test's result
        connection.execute(f"copy (from read_csv('{source}')) to '{path}'")
    assert check([path]).is_clean
    monkeypatch.setattr(limits, "MOST_ROWS", 399)
    assert "has more than 399 rows" in _told(path)
    monkeypatch.undo()
    monkeypatch.setattr(limits, "MOST_BYTES", 100)
    assert "holds more than" in _told(path)


def test_a_workbook_that_is_a_bomb(tmp_path: Path, export: Path) -> None:
    path = tmp_path / "list.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("xl/sheet.xml", "w") as part:
        for _ in range(1 + (limits.MOST_BOOK_BYTES >> 24)):
            part.write(bytes(1 << 24))
    assert path.stat().st_size < 1 << 20
    assert "holds more than 512 MB" in _told(path, mapping=export)


def test_a_row_of_a_workbook_that_is_too_wide(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.worksheets[0]["A1"], book.worksheets[0]["ZZ2"] = "exam", "far away"
    book.save(tmp_path / "list.xlsx")
    monkeypatch.setattr(limits, "MOST_COLUMNS", 700)
    with pytest.raises(limits.TextError, match="more than 700 columns"):
        sheet.read_sheet(tmp_path / "list.xlsx", None, (1, 1))


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and links of POSIX are made")
@pytest.mark.parametrize("is_mapped", [False, True])
@pytest.mark.parametrize("kind", ["pipe", "link", "dangling", "socket"])
def test_what_is_no_file_in_a_folder_is_told(kind: str, is_mapped: bool, tmp_path: Path, export: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    write_csv(folder / "exams.csv", ROWS[:3])
    odd = folder / "findings.csv"
    if kind == "pipe":
        os.mkfifo(odd)
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as one:
            one.bind(os.path.relpath(odd))
    else:
        odd.symlink_to(tmp_path / "mapping.yaml" if kind == "link" else tmp_path / "nowhere")
    assert "path 1 of 1: holds 1 links, pipes or devices" in _told(folder, mapping=export if is_mapped else None)


@pytest.mark.skipif(sys.platform == "win32", reason="pipes of POSIX are made")
@pytest.mark.parametrize("is_mapped", [False, True])
def test_a_pipe_or_a_device_given_by_name_is_told(is_mapped: bool, tmp_path: Path, export: Path) -> None:
    pipe = tmp_path / "exams.csv"
    os.mkfifo(pipe)
    for path in (pipe, Path("/dev/zero")):
        told = _told(path, mapping=export if is_mapped else None)
        assert "is a pipe or a device; name a file" in told
