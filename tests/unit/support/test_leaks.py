"""The search for leaks finds what is planted, wherever it is packed, so that finding nothing means something."""

from __future__ import annotations

import base64
import gzip
import zipfile
import zlib
from pathlib import Path

import duckdb
import polars as pl
import pytest
from leaks import find_leaks

NAME = "Marrowgate, Ottoline"


def _registry(path: Path) -> None:
    with duckdb.connect(str(path)) as con:
        con.execute("create schema waiting; create table waiting.findings (exam_id varchar)")
        con.execute(f"insert into waiting.findings select '{NAME}' from range(5000)")


def _logged(path: Path) -> None:
    with duckdb.connect(str(path)) as con:
        con.execute("set checkpoint_threshold = '1GB'; create table people (name varchar)")
        con.execute(f"insert into people values ('{NAME}')")
        copied = path.with_name("kept")
        copied.write_bytes(path.with_name(path.name + ".wal").read_bytes())


def _docx(path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("word/document.xml", f"<w:t>{NAME}</w:t>")


def _page(path: Path) -> None:
    inner = base64.b64encode(b"<svg>" + base64.b64encode(f"<text>{NAME}</text>".encode()) + b"</svg>").decode()
    path.write_text(f'<img src="data:image/svg+xml;base64,{inner}">')


@pytest.mark.parametrize(
    ("name", "write"),
    [
        ("a.csv", lambda path: path.write_text(f"x\n{NAME.upper()}\n")),
        ("a.csv.gz", lambda path: path.write_bytes(gzip.compress(NAME.encode()))),
        ("a.parquet", lambda path: pl.DataFrame({"x": [NAME] * 5000}).write_parquet(path)),
        ("a.html", _page),
        ("b.html", lambda path: path.write_text(NAME.replace(",", "&#44;"))),
        ("a.json", lambda path: path.write_text(NAME.replace("M", "\\u004d"))),
        ("a.docx", _docx),
        ("a.pdf", lambda path: path.write_bytes(b"%PDF-1.7\nstream\n" + zlib.compress(NAME.encode()) + b"endstream")),
        ("a.duckdb", _registry),
        ("b.duckdb", _logged),
        ("a.txt", lambda path: path.write_bytes(NAME.encode("utf-16-le"))),
    ],
)
def test_a_planted_name_is_found(tmp_path: Path, name: str, write: object) -> None:
    write(tmp_path / name)  # type: ignore[operator]
    assert find_leaks([NAME, "Peregrine"], tmp_path / name)
    assert {needle for needle, _ in find_leaks([NAME, "Peregrine"], tmp_path)} == {NAME}


def test_a_registry_is_read_as_what_it_holds_not_only_as_bytes(tmp_path: Path) -> None:
    _registry(tmp_path / "a.duckdb")
    assert (NAME, "a.duckdb, exported") in find_leaks([NAME], tmp_path)


def test_the_log_of_a_registry_is_read(tmp_path: Path) -> None:
    _logged(tmp_path / "a.duckdb")
    assert find_leaks([NAME], tmp_path / "kept")


def test_a_name_of_a_file_is_read(tmp_path: Path) -> None:
    (tmp_path / f"{NAME}.csv").write_text("")
    assert find_leaks([NAME], tmp_path) == [(NAME, "the name of a file")]


def test_what_was_printed_is_read() -> None:
    assert find_leaks([NAME], f"stored {NAME}", "nothing") == [(NAME, "a text")]
    assert find_leaks([NAME], "nothing") == []
