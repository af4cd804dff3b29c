"""The types of the package, as `mypy pipeline` reads them: a test, so that another runs meanwhile."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_mypy_finds_no_fault() -> None:
    words = [sys.executable, "-m", "mypy", "pipeline"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False, timeout=900)
    assert done.returncode == 0, done.stdout + done.stderr
