"""The doctor: faults are found and told with their mend, a sound installation is called one, every command is told."""

from __future__ import annotations

import json
import shutil
import stat
import sys
from pathlib import Path

import pytest

from examtally import doctor
from examtally.cli.app import main
from examtally.deidentification import make_key

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such modes of files")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder that others may enter, with a registry, results and a key only its owner may read."""
    for above in tmp_path.parents:
        if any(part.startswith("pytest-of-") for part in above.parts):
            above.chmod(0o755)
    tmp_path.chmod(0o755)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(doctor, "_PROGRAMS", ())  # they take seconds to answer
    (tmp_path / "registry.duckdb").touch(0o600)
    results = tmp_path / "results"
    (results / "examiners").mkdir(parents=True)
    for name in ("manifest.json", "accuracy.csv", "examiners/accuracy.csv"):
        (results / name).touch(0o600)
    make_key(tmp_path / "site.key")
    (tmp_path / "notes.txt").write_text("not looked at", encoding="utf-8")
    return tmp_path


def _private(**named: Path) -> dict[str, doctor.Check]:
    return {Path(one.name).name: one for one in doctor.examine(**named) if one.kind == "private"}


def test_what_lies_in_the_working_folder_is_looked_at(folder: Path) -> None:
    found = _private()
    assert set(found) == {"registry.duckdb", "results", "site.key"}
    assert {one.state for one in found.values()} == {"ok"}
    assert set(_private(registry=folder / "registry.duckdb")) == {"registry.duckdb"}


@pytest.mark.parametrize("name", ["registry.duckdb", "site.key", "results/examiners/accuracy.csv"])
def test_what_others_can_read_is_a_fault(folder: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / name).chmod(0o644)
    (told,) = [one for one in _private().values() if one.state == "fault"]
    assert told.name == name.split("/")[0]
    assert "everybody on this machine" in told.says
    assert main(["doctor"]) == 1
    assert f"chmod {'-R ' if '/' in name else ''}go-rwx {told.name}" in capsys.readouterr().out


def test_a_closed_folder_above_keeps_others_out(folder: Path) -> None:
    (folder / "registry.duckdb").chmod(0o644)
    folder.chmod(0o700)
    assert _private()["registry.duckdb"].state == "ok"
    folder.chmod(0o755)
    (folder / "registry.duckdb").chmod(stat.S_IRUSR | stat.S_IRGRP)
    assert "its group" in _private()["registry.duckdb"].says


def test_a_sound_installation_exits_0_and_says_what_was_run(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["is_well"] is True
    by_name = {one["name"]: one for one in told["checks"]}
    assert by_name["duckdb"]["kind"] == "package"
    assert by_name["pandoc"]["ran"].endswith("--version")
    assert main(["doctor"]) == 0
    assert by_name["pandoc"]["ran"] in capsys.readouterr().out
    assert folder.is_dir()


@pytest.mark.parametrize(
    ("needed", "said"), [("polars<1", "examtally needs <1"), ("no-such-thing>=2", "not installed")]
)
def test_a_package_that_does_not_fit_is_a_fault(
    folder: Path, monkeypatch: pytest.MonkeyPatch, needed: str, said: str
) -> None:
    monkeypatch.setattr(doctor, "requires", lambda _: [needed, 'jupyter>=1; extra == "notebook"'])
    (fault,) = [one for one in doctor.examine(folder=folder) if one.state == "fault"]
    assert said in fault.says


def test_little_disk_is_a_fault(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(folder)
    monkeypatch.setattr(doctor.shutil, "disk_usage", lambda _: usage._replace(free=3 * 10**8))
    faults = [one for one in doctor.examine(folder=folder) if one.state == "fault"]
    assert {one.kind for one in faults} == {"disk"}
    assert "0.3 GB free" in faults[0].says


def test_a_program_that_does_not_answer_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = folder / "quarto"
    program.write_text("#!/bin/sh\nexit 3\n", encoding="utf-8")
    program.chmod(0o700)
    monkeypatch.setenv("PATH", str(folder))
    monkeypatch.setattr(doctor, "_PROGRAMS", (doctor._Program("Quarto", ("quarto",), ("--version",), "renders"),))
    (told,) = [one for one in doctor.examine(folder=folder) if one.name == "Quarto"]
    assert (told.state, told.ran) == ("fault", f"{program} --version")
    program.write_text("#!/bin/sh\necho 1.2.3\n", encoding="utf-8")
    (told,) = [one for one in doctor.examine(folder=folder) if one.name == "Quarto"]
    assert (told.state, told.says) == ("ok", "1.2.3; renders")
    program.unlink()
    (told,) = [one for one in doctor.examine(folder=folder) if one.name == "Quarto"]
    assert (told.state, told.ran) == ("absent", "")
