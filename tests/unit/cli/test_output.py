"""What the command line says of a fault nobody foresaw: one line, and never a value."""

from __future__ import annotations

import errno
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from examtally.cli import output as terminal
from examtally.cli.app import main
from examtally.cli.report import formats


@pytest.mark.parametrize(
    "fault",
    [
        OSError(errno.ENOSPC, "No space left on device", "/secret/PT-1"),
        RuntimeError("cannot write PT-1: No space left on device (os error 28)"),
        FileNotFoundError(errno.ENOENT, "No usable temporary directory found in ['/tmp']"),
    ],
)
def test_a_full_disk_is_called_one(fault: Exception) -> None:
    said = terminal.unexpected(fault)
    assert said.startswith("no room is left on disk")
    assert "PT-1" not in said


@pytest.mark.parametrize("fault", [ValueError("PT-1"), FileNotFoundError(errno.ENOENT, "no such file", "PT-1")])
def test_any_other_fault_is_told_without_its_text(fault: Exception) -> None:
    said = terminal.unexpected(fault)
    assert type(fault).__name__ in said
    assert "PT-1" not in said
    assert "\n" not in said


def test_a_program_found_on_path_is_not_run_in_silence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: f"/somewhere/{name}")
    formats("html", "html", "pdf")
    assert capsys.readouterr().err == "Pages are set by a program found on PATH: /somewhere/quarto\n"
    monkeypatch.setattr(shutil, "which", lambda _name: None)
    formats("html", "html", "pdf")
    assert capsys.readouterr().err == ""


def test_the_command_that_is_named_next_can_be_pasted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the environment on PATH a name alone is not found, and its folder may have any name."""
    folder = tmp_path / "it's our knee" / "bin"
    folder.mkdir(parents=True)
    program = folder / "examtally"
    program.write_text("#!/bin/sh\necho ran $1\n", encoding="utf-8")
    program.chmod(0o700)
    monkeypatch.setattr(sys, "executable", str(folder / "python"))
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    ran = subprocess.run(["sh", "-c", f"{terminal.own_command()} check"], capture_output=True, text=True, check=True)
    assert ran.stdout == "ran check\n"
    monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")
    assert terminal.own_command() == "examtally"


def test_another_program_of_the_name_on_path_is_not_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("ours", "other"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "examtally").touch(0o700)
    monkeypatch.setattr(sys, "executable", str(tmp_path / "ours" / "python"))
    monkeypatch.setenv("PATH", str(tmp_path / "other"))
    assert terminal.own_command() == str(tmp_path / "ours" / "examtally")
    (tmp_path / "ours" / "examtally").rename(tmp_path / "ours" / "examtally.exe")
    assert terminal.own_command() == str(tmp_path / "ours" / "examtally.exe")
    (tmp_path / "ours" / "examtally.exe").unlink()
    monkeypatch.setenv("PATH", "")
    assert terminal.own_command() == f"{tmp_path / 'ours' / 'python'} -m examtally.cli"


def test_what_a_command_writes_is_for_its_owner_only(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        assert main(["workbook", "--out", str(tmp_path / "records.xlsx")]) == 0
        assert os.umask(0o022) == 0o022
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "records.xlsx").stat().st_mode) == 0o600
