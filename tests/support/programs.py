"""Programs that some tests look through: where one is missing its tests say so; where all are required they fail."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

REQUIRED = os.environ.get("EXAMTALLY_REQUIRE_PROGRAMS") == "1"
"""Set where tests run for everyone: no test may be skipped there for want of a browser or of poppler."""


def needs(package: str, *programs: str) -> pytest.MarkDecorator:
    """Skip a test unless the programs of a package are there, or all are required."""
    missing = any(shutil.which(program) is None for program in programs)
    return pytest.mark.skipif(missing and not REQUIRED, reason=f"not run: no {package}")


POPPLER = needs("poppler", "pdfinfo", "pdftotext", "pdffonts")


def typeset(page: Path) -> str:
    """The text of a PDF."""
    return subprocess.run(["pdftotext", str(page), "-"], capture_output=True, text=True, check=True).stdout
