from __future__ import annotations

import csv
import json
import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from examtally.cli.app import main
from examtally.contracts.results import conform
from examtally.errors import ResultsError
from examtally.registry import Registry
from examtally.results import Results, analyze, folder, read_results
from examtally.results.manifest import MANIFEST
from examtally.results.tablefile import FORMS

AGAIN = """
import sys
from examtally.registry import open_registry
from examtally.results import analyze, read_results
with open_registry(sys.argv[1]) as registry:
    analyze(registry, read_results(sys.argv[2]).protocol).write(sys.argv[3])
"""


def _bytes(out: Path) -> dict[str, bytes]:
    return {str(path.relative_to(out)): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()}


def _names(place: Path) -> list[str]:
    return sorted(path.name for path in place.iterdir())


def test_what_is_written_comes_back(results: Results, out: Path) -> None:
    assert results.write(out) == out
    back = read_results(out)
    assert back.provenance == results.provenance
    assert back.protocol == results.protocol
    assert list(back.tables) == sorted(results.tables)
    for name, frame in results.tables.items():
        assert back.tables[name].equals(frame), name


def test_results_are_read_once_while_a_report_is_made_and_checked_anew_afterwards(results: Results, out: Path) -> None:
    results.write(out)
    with folder.read_once():
        first = read_results(out)
        copy = Path(shutil.copytree(out, out.with_name("copy")))
        assert read_results(copy) is first
        shutil.rmtree(copy)
        with pytest.raises(ResultsError, match="manifest"):
            read_results(copy)
    with (out / "flow.csv").open("a", encoding="utf-8") as file:
        file.write("more\n")
    with pytest.raises(ResultsError, match=r"flow\.csv is missing or was changed"):
        read_results(out)


def test_the_number_of_threads_does_not_change_a_byte(results: Results, tmp_path: Path) -> None:
    results.write(tmp_path / "here")
    code = "import sys; from examtally.results import read_results; read_results(sys.argv[1]).write(sys.argv[2])"
    command = [sys.executable, "-c", code, str(tmp_path / "here"), str(tmp_path / "there")]
    subprocess.run(command, check=True, env=os.environ | {"POLARS_MAX_THREADS": "1"}, timeout=120)
    assert _bytes(tmp_path / "here") == _bytes(tmp_path / "there")


def test_rows_about_persons_have_their_own_private_folder(registry: Registry, results: Results, tmp_path: Path) -> None:
    """All else is the same, byte for byte, in an analysis without them by a process of its own, of one thread."""
    results.write(tmp_path / "with")
    command = [sys.executable, "-c", AGAIN, *map(str, (registry.path, tmp_path / "with", tmp_path / "without"))]
    alone = {"POLARS_MAX_THREADS": "1", "PYTHONHASHSEED": "7"}
    subprocess.run(command, check=True, env=os.environ | alone, timeout=240)
    inner = tmp_path / "with" / "examiners"
    assert stat.S_IMODE(inner.stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "without").stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "without").iterdir()} == {0o600}
    personal = ("accuracy", "calibration", "calibration_curve", "examiner_probability", "learning", "tallies")
    assert _names(inner) == sorted(["manifest.json", *(f"{name}.{form}" for name in personal for form in FORMS)])
    assert pl.read_parquet(inner / "accuracy.parquet")["group_by"].unique().to_list() == ["examiner"]
    outer = {name: content for name, content in _bytes(tmp_path / "with").items() if not name.startswith("examiners")}
    assert outer == _bytes(tmp_path / "without")
    assert not any(b"ER1" in content for content in outer.values())
    shutil.rmtree(inner)
    assert not read_results(tmp_path / "with").has_examiners


def test_the_manifest_names_no_clock_host_or_path(results: Results, out: Path) -> None:
    results.write(out)
    text = (out / MANIFEST).read_text(encoding="utf-8")
    content = json.loads(text)
    assert list(content) == [
        *("format", "version", "registry", "protocol", "protocol_hash", "seed", "versions", "catalogue"),
        *("tables", "beside", "seal"),
    ]
    assert os.sep not in text
    assert os.uname().nodename not in text
    assert not re.search(r"20\d\d-\d\d|\d\d:\d\d", text)
    assert {name: table["rows"] for name, table in content["tables"].items()}["flow"] == results.flow.height


def test_csv_is_written_as_promised(out: Path, results: Results) -> None:
    row = {
        **{"condition": "acl_tear", "maneuver": "lachman", "result": "positive", "adjustment": "none"},
        **{"pre_test": 0.1, "lr": 1 / 3, "post_test": 12345678.987654321, "ci_low": 1e-7, "ci_high": None, "n": 40},
        "note": 'a "note", with a comma',
    }
    table = conform("post_test", pl.DataFrame([row]))
    Results({"post_test": table}, results.provenance).write(out)
    (made,) = csv.DictReader((out / "post_test.csv").read_text(encoding="utf-8").splitlines())
    assert made["pre_test"] == "0.1"
    assert made["lr"] == "0.333333333333"
    assert made["post_test"] == "12345678.9877"
    assert made["ci_low"] == "1e-07"
    assert made["ci_high"] == made["flag"] == ""
    assert made["n"] == "40"
    assert made["note"] == row["note"]


def test_an_earlier_results_folder_is_replaced_whole(registry: Registry, results: Results, out: Path) -> None:
    results.write(out)
    analyze(registry, results.protocol, only="flow").write(out)
    assert _names(out) == ["flow.csv", "flow.parquet", MANIFEST]
    assert _names(out.parent) == [out.name]


def test_an_empty_folder_and_missing_parents_will_do(results: Results, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    results.write(tmp_path / "empty")
    results.write(tmp_path / "a" / "b")
    assert _bytes(tmp_path / "empty") == _bytes(tmp_path / "a" / "b")


def test_what_is_not_a_results_folder_is_left_alone(results: Results, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "mine.txt").write_text("x")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / MANIFEST).write_text('{"format": "another"}')
    before = _bytes(tmp_path)
    for name, words in (("file", "is a file"), ("notes", "other things than results"), ("other", "other things")):
        with pytest.raises(ResultsError, match=words):
            results.write(tmp_path / name)
    assert _bytes(tmp_path) == before


def test_a_folder_that_cannot_be_replaced_is_told_before_anything_is_estimated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "mine.txt").write_text("x")
    assert main(["analyze", "--registry", str(tmp_path / "none.duckdb"), "--out", str(tmp_path / "notes")]) == 7
    assert capsys.readouterr().err.startswith("the folder holds other things than results")


@pytest.mark.parametrize("place", ["mine.txt", "examiners/mine.txt"])
def test_files_of_others_in_a_results_folder_are_not_lost(results: Results, out: Path, place: str) -> None:
    results.write(out)
    (out / place).write_text("x")
    with pytest.raises(ResultsError, match="also holds 1 files or folders that no analysis wrote"):
        results.write(out)
    assert (out / place).read_text() == "x"


@pytest.mark.parametrize("table", ["cohort_summary", "flow", "intake_checks"])
def test_a_writer_that_breaks_midway_leaves_the_earlier_folder(
    results: Results, out: Path, table: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    results.write(out)
    before = _bytes(out)

    def broken(place: Path, name: str, frame: pl.DataFrame) -> object:
        if name == table:
            (place / f"{name}.parquet").write_bytes(b"half")
            raise OSError(28, "No space left on device")
        return write_table(place, name, frame)

    write_table = folder.write_table
    monkeypatch.setattr(folder, "write_table", broken)
    with pytest.raises(ResultsError, match="cannot be written: No space left on device"):
        results.write(out)
    assert _bytes(out) == before
    assert _names(out.parent) == [out.name]


def test_a_broken_exchange_puts_the_earlier_folder_back(
    results: Results, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    results.write(out)
    before = _bytes(out)
    rename = Path.rename

    def broken(self: Path, target: Path) -> Path:
        if self.name.endswith(".part"):
            raise OSError(5, "Input/output error")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", broken)
    with pytest.raises(ResultsError, match="Input/output error"):
        results.write(out)
    assert _bytes(out) == before
    assert _names(out.parent) == [out.name]


def test_what_a_killed_process_left_behind_is_mended(results: Results, out: Path) -> None:
    results.write(out)
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    (out.parent / f".{out.name}.{gone.pid}.part").mkdir()
    (out.parent / f".{out.name}.1.part").mkdir()
    out.rename(out.parent / f".{out.name}.before")
    results.write(out)
    assert _names(out.parent) == [f".{out.name}.1.part", out.name]
    assert read_results(out).flow.equals(results.flow)


def _damage(out: Path, kind: str) -> None:
    manifest = out / MANIFEST
    content = json.loads(manifest.read_text(encoding="utf-8"))
    if kind == "no folder":
        shutil.rmtree(out)
    elif kind == "no table":
        (out / "flow.csv").unlink()
    elif kind == "changed table":
        (out / "flow.csv").write_text("condition\n")
    elif kind == "changed protocol":
        content["protocol"]["equivocal"] = "positive"
        manifest.write_text(json.dumps(content))
    elif kind == "other version":
        content["version"] = 99
        manifest.write_text(json.dumps(content))
    elif kind == "table elsewhere":
        content["tables"]["../flow"] = content["tables"]["flow"]
        manifest.write_text(json.dumps(content))
    elif kind == "registry elsewhere":
        content["registry"] = "../../elsewhere"
        manifest.write_text(json.dumps(content))
    elif kind == "half a manifest":
        manifest.write_text(manifest.read_text()[:200])
    elif kind == "a list":
        manifest.write_text("[]")


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("no folder", "the results folder has no readable manifest.json; name the folder"),
        ("no table", "flow.csv is missing or was changed after the analysis; run the analysis again"),
        ("changed table", "flow.csv is missing or was changed after the analysis; run the analysis again"),
        ("changed protocol", "manifest.json is incomplete or was changed after the analysis; run the analysis again"),
        ("other version", "manifest.json was written by another version; run the analysis again with this one"),
        ("table elsewhere", "manifest.json is incomplete or was changed"),
        ("registry elsewhere", "manifest.json is incomplete or was changed"),
        ("half a manifest", "the results folder has no readable manifest.json"),
        ("a list", "manifest.json is not of a results folder"),
    ],
)
def test_a_damaged_folder_is_refused_in_one_line(results: Results, out: Path, kind: str, message: str) -> None:
    results.write(out)
    _damage(out, kind)
    with pytest.raises(ResultsError) as refused:
        read_results(out)
    assert str(refused.value).startswith(message)
    assert str(out) not in str(refused.value)


def test_examiners_of_another_analysis_are_refused(registry: Registry, results: Results, tmp_path: Path) -> None:
    results.write(tmp_path / "one")
    analyze(registry, {"equivocal": "positive"}, with_examiners=True, only="tallies").write(tmp_path / "two")
    shutil.rmtree(tmp_path / "one" / "examiners")
    shutil.copytree(tmp_path / "two" / "examiners", tmp_path / "one" / "examiners")
    with pytest.raises(ResultsError, match="is of another analysis"):
        read_results(tmp_path / "one")
