"""What the tests of stopped commands share: a folder of what commands read, and the working folder given back."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from report_clinic import shared_results
from shared import shared_folder
from writing_commands import write_clinic, write_rest


@pytest.fixture(scope="session")
def clinic_of_commands(together: Path) -> Path:
    """A folder with what most writing commands read, made once in a run of tests; to be copied."""
    results = shared_results(together)
    return shared_folder(together, "clinic-of-commands", lambda folder: write_clinic(folder, results))


@pytest.fixture(scope="session")
def clinic_of_every_command(clinic_of_commands: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with what the others read too."""
    folder = tmp_path_factory.mktemp("clinic") / "whole"
    shutil.copytree(clinic_of_commands, folder)
    write_rest(folder)
    return folder


@pytest.fixture(autouse=True)
def _back_where_it_was() -> Iterator[None]:
    """A command under test is called in a folder of its own, with a temporary folder of its own."""
    folder, temporary = Path.cwd(), tempfile.tempdir
    yield
    os.chdir(folder)
    tempfile.tempdir = temporary
