"""One run of the demo as a real process, and its pages, for every test that reads what it left."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from examtally.reporting import (
    render_actions,
    render_cards,
    render_conditions,
    render_intake,
    render_lead,
    render_monthly,
    render_sheets,
    render_shelf,
)
from examtally.reporting.audit import audit
from examtally.reporting.engine.renderer import render
from examtally.reporting.reports import render_annex
from examtally.reporting.supervisor_page import render_supervisor

MARK = "ZQX"  # begins each drawn code, so that one that stands on a page is seen
CONDITIONS = ("acl_tear", "meniscal_tear", "lcl_injury")
SHEETS = ("E-04", "E-12")
CLINIC = Path(__file__).with_name("demo_clinic.yaml")


@dataclass(frozen=True)
class Run:
    """What one run of the demo printed and where it wrote."""

    out: Path
    stdout: str
    stderr: str


def run_demo(root: Path, *, whole: bool = False) -> None:
    """Run the demo into `root`/out, of a third of its exams or of all, and keep what it printed beside it."""
    words = [sys.executable, "-m", "examtally.cli", "demo", "--out", str(root / "out")]
    words += [] if whole else ["--scenario", str(CLINIC)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=1200)
    assert done.returncode == 0, done.stderr
    (root / "stdout").write_text(done.stdout, encoding="utf-8")
    (root / "stderr").write_text(done.stderr, encoding="utf-8")


def read_demo(root: Path) -> Run:
    """The run in `root`."""
    said = [(root / name).read_text(encoding="utf-8") for name in ("stdout", "stderr")]
    return Run(root / "out", *said)


@dataclass(frozen=True)
class Pages:
    """Pages of the demo: `group` for everybody, `lead` for the audit lead, `sheets` for single examiners."""

    root: Path

    def find(self, name: str) -> Path:
        """The file of this name with its ending, in whichever folder it lies; ValueError where it is not one."""
        (path,) = self.root.glob(f"*/{name}")
        return path


def make_pages(results: Path, root: Path) -> None:
    """Render in HTML and PDF, under `root`, every page of which tests read the demo's; no test prints the annex."""
    both = ("html", "pdf")
    with pytest.MonkeyPatch.context() as patch:
        drawn = audit.report_pseudonyms
        patch.setattr(
            audit, "report_pseudonyms", lambda people: {one: f"{MARK}{code}" for one, code in drawn(people).items()}
        )
        render("audit", results, root / "group", formats=both)
        render_annex(results, root / "group")
        render_monthly(results, root / "group", period="P018", formats=both)
        for code in CONDITIONS:
            render_conditions(results, root / "group", condition=code, formats=both)
            render_cards(results, root / "group", condition=code, formats=both)
        render_actions(results, root / "group", formats=both)
        render_shelf(results, root / "group")
        render_lead(results, root / "lead")
        render_intake(results, root / "others", batch=1)
        render_supervisor(results, root / "others")
        for examiner in SHEETS:
            render_sheets(results, root / "sheets", examiner=examiner, formats=both)
