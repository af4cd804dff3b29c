"""What the command line says of a fault nobody foresaw: one line, and never a value."""

from __future__ import annotations

import errno

import pytest

from examtally.cli import output as terminal


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
