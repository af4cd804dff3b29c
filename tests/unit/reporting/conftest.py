"""Reports rendered once for all tests: of a clinic, a young one, one exam, and none."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import chromium
from ledger_kept import make_ledger
from playwright.sync_api import Browser
from report_clinic import records, shared_results, write_results
from shared import shared_folder

from examtally.contracts.contract import load_contract
from examtally.reporting import render_audit, render_monthly
from examtally.reporting.audit.audit import Audit, open_audit
from examtally.reporting.engine.wording import speak_of
from examtally.resources import resource

NEWEST = {"tiny": "P005"}
SIZES = {"young": (40, 3), "tiny": (3, 1), "empty": (0, 1)}


@pytest.fixture(autouse=True)
def _page_of_a_knee() -> None:
    """A test of one part of a page begins where its results were opened, whatever ran before it."""
    speak_of(load_contract().catalogue.noun)


@pytest.fixture(scope="session")
def made(together: Path) -> Path:
    """A folder with the results and the rendered report of every size of registry."""
    return shared_folder(together, "made", _make)


@pytest.fixture(scope="session")
def monthly(made: Path) -> Path:
    """The same folder, with the monthly report of the newest period beside each audit as `monthly.html`."""

    def add(_root: Path) -> None:
        for name in ("clinic", *SIZES):
            (page,) = render_monthly(made / name / "results", made / name / "out", period=NEWEST.get(name, "P018"))
            page.rename(page.with_name("monthly.html"))

    shared_folder(made.parent, "monthly", add)
    return made


def _make(root: Path) -> None:
    make_ledger(root / "kept")
    shutil.copytree(shared_results(root.parent), root / "clinic" / "results")
    for name, (exams, examiners) in SIZES.items():
        write_results(root / name / "results", records(load_contract(), exams, examiners, seed=20260301))
    for name in ("clinic", *SIZES):
        render_audit(root / name / "results", root / name / "out", source=root / name / "source")


@pytest.fixture
def registry(made: Path, tmp_path: Path) -> Path:
    """A registry whose ledger knows the records of these results and of no release of them."""
    return Path(shutil.copy(made / "kept" / "registry.duckdb", tmp_path / "ledger.duckdb"))


@pytest.fixture(scope="session")
def clinic(made: Path) -> Audit:
    """What the cells of the report read, of the clinic."""
    return open_audit(made / "clinic" / "results", resource("reports"))


@pytest.fixture(scope="session")
def young(made: Path) -> Audit:
    """The same of the young registry."""
    return open_audit(made / "young" / "results", resource("reports"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium; without it the tests say so, or fail where it is required."""
    with chromium() as started:
        yield started
