"""Readings of an agreement day: checked like records, all of them or none, and never a value in a message."""

from __future__ import annotations

from pathlib import Path

import pytest

from examtally.contracts.contract import load_contract
from examtally.errors import FileFault
from examtally.ingestion.agreement_day import read_readings

HEAD = "examiner_id,participant_id,side,maneuver,result,measure,grade\n"
CONTRACT = load_contract()


def _file(folder: Path, *lines: str, name: str = "readings-E01.csv", head: str = HEAD) -> Path:
    path = folder / name
    path.write_text(head + "".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


def test_files_of_a_folder_are_one_day_and_a_line_sent_twice_counts_once(tmp_path: Path) -> None:
    _file(tmp_path, "e01,p01,right,lachman,positive,4.5,1")
    _file(tmp_path, "E02,P01,right,lachman,negative,,", "E01,P01,right,lachman,positive,4.5,1", name="readings-E02.csv")
    found = read_readings([tmp_path], CONTRACT)
    assert found.select("examiner_id", "result", "measure", "grade").rows() == [
        ("E01", "positive", 4.5, 1),
        ("E02", "negative", None, None),
    ]
    assert found["flexion_deg"].is_null().all()


@pytest.mark.parametrize(
    ("line", "column"),
    [
        ("SECRET NAME,P01,right,lachman,positive,,", "examiner_id"),
        ("E01,P01,right,secret_test,positive,,", "maneuver"),
        ("E01,P01,right,lachman,perhaps,,", "result"),
        ("E01,P01,right,lachman,positive,secret,", "measure"),
        ("E01,P01,right,lachman,positive,,9", "grade"),
        ("E01,P01,,lachman,positive,,", "side"),
    ],
)
def test_a_line_that_breaks_a_rule_is_named_without_its_value(line: str, column: str, tmp_path: Path) -> None:
    path = _file(tmp_path, "E01,P01,left,lachman,positive,,", line)
    with pytest.raises(FileFault) as fault:
        read_readings([path], CONTRACT)
    assert f"readings-E01.csv, line 3, {column}: not " in str(fault.value)
    assert not {"secret", "perhaps"} & set(str(fault.value).lower().replace(",", " ").split())


def test_two_lines_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    path = _file(tmp_path, "E01,P01,right,lachman,positive,,", "E01,P01,right,lachman,negative,,")
    with pytest.raises(FileFault, match="stands twice and differs"):
        read_readings([path], CONTRACT)


@pytest.mark.parametrize(
    ("head", "words"),
    [("examiner_id,side\n", "lacks participant_id"), (HEAD.replace("grade", "name"), "1 columns are not known")],
)
def test_a_file_with_other_columns_is_refused(head: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=words):
        read_readings([_file(tmp_path, "E01,right", head=head)], CONTRACT)


def test_no_file_and_no_csv_are_told(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="no CSV file"):
        read_readings([tmp_path], CONTRACT)
    with pytest.raises(FileFault, match="no such file"):
        read_readings([tmp_path / "gone.csv"], CONTRACT)
    (tmp_path / "bytes.csv").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(FileFault, match="is not a CSV file"):
        read_readings([tmp_path / "bytes.csv"], CONTRACT)
