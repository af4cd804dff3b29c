"""The demo and two reports on it: processor time, that of the programs they call included."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from demo_run import run_demo
from paired import Aim, hold, processor_seconds
from timed import processor_seconds as seconds_of

TIMES = 3
AIMS = {"monthly": 3, "audit": 5}  # seconds
DEMO = 50  # of two processors, so that it ends after 25


@pytest.mark.benchmark_ratio
def test_the_demo_and_its_monthly_page_and_audit_with_its_annex(tmp_path: Path, say: Callable[[str], None]) -> None:
    begun = processor_seconds()
    run_demo(tmp_path, whole=True)
    demo = Aim("seconds of processor for the demo", processor_seconds() - begun, most=DEMO)
    words = {"monthly": ("--period", "P018"), "audit": ()}
    taken = {kind: _seconds(kind, tmp_path / "out" / "results", tmp_path / "pages", words[kind]) for kind in AIMS}
    hold(
        say,
        demo,
        *(Aim(f"seconds of processor for report {kind}", taken[kind], most=most) for kind, most in AIMS.items()),
    )


def _seconds(kind: str, results: Path, out: Path, words: Sequence[str]) -> float:
    """The least of what a report took several times: what others do on the machine meanwhile only adds to it."""
    command = ["report", kind, "--results", str(results), "--out", str(out), *words]
    return min(seconds_of([sys.executable, "-m", "examtally.cli", *command]) for _ in range(TIMES))
