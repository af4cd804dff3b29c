"""One run of the demo as a real process, for every test that reads what it left."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Run:
    """What one run of the demo printed and where it wrote."""

    out: Path
    stdout: str
    stderr: str


def run_demo(root: Path) -> None:
    """Run the demo into `root`/out and keep what it printed beside it."""
    words = [sys.executable, "-m", "examtally.cli", "demo", "--out", str(root / "out")]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=1200)
    assert done.returncode == 0, done.stderr
    (root / "stdout").write_text(done.stdout, encoding="utf-8")
    (root / "stderr").write_text(done.stderr, encoding="utf-8")


def read_demo(root: Path) -> Run:
    """The run in `root`."""
    said = [(root / name).read_text(encoding="utf-8") for name in ("stdout", "stderr")]
    return Run(root / "out", *said)
