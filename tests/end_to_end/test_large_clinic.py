"""A clinic with everything, 20,000 exams by 40 examiners at five sites: printed lengths, and words in its figures."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import polars as pl
import pytest
import yaml
from browsing import DESK, PHONE, chromium
from figure_text import faults_of_figures
from programs import POPPLER

from examtally.ingestion import ingest
from examtally.registry import open_registry
from examtally.reporting import render_audit, render_cards, render_conditions, render_monthly, render_sheets
from examtally.results import analyze
from examtally.synthesis import synthesize

pytestmark = pytest.mark.study
ROLES = ("attending", "fellow", "resident", "physical_therapist", "student", "advanced_practice", "athletic_trainer")
NUMBERS = ("fives", "tens", "quarters")
LENGTHS = {"audit": 12, "monthly": 2, "condition": 4, "card": 1, "examiner": 2}
BOTH = ("html", "pdf")


def scenario(folder: Path, exams: int = 20_000, examiners: int = 40, sites: int = 5) -> Path:
    """The built-in clinic of 14 examiners, with more of them and more sites; every seventh of the new begins late."""
    team = {
        f"E-{n + 1:02}": {"role": ROLES[n % len(ROLES)], "site": f"S-{n % sites + 1:02}", "numbers": NUMBERS[n % 3]}
        | {"load": 1.0, "confidence": 0.7 + 0.2 * (n % 6), "lean": 0.1 * (n % 4 - 1)}
        | ({"start": 6} if n % 7 == 4 else {})
        for n in range(14, examiners)
    }
    large = {
        "based_on": "clinic",
        "title": "Five knee clinics",
        "seed": 52,
        "exams": exams,
        "periods": {"kind": "ordinal", "count": 24, "days": 30},
        "sites": {f"S-{n + 1:02}": 1 / sites for n in range(sites)},
        "examiners": team,
    }
    path = folder / "large.yaml"
    path.write_text(yaml.safe_dump(large), encoding="utf-8")
    return path


def results_of(folder: Path) -> Path:
    """Synthesize, ingest and analyze; return the results folder."""
    synthesize(folder / "synthetic", scenario=scenario(folder))
    ingest([folder / "synthetic" / "records"], folder / "registry.duckdb")
    with open_registry(folder / "registry.duckdb") as opened:
        return analyze(opened, with_examiners=True).write(folder / "results")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("large")
    results, out = results_of(folder), folder / "out"
    newest = str(pl.read_parquet(results / "indicators.parquet")["period"].max())
    made = [*render_audit(results, out, formats=BOTH), *render_monthly(results, out, period=newest, formats=BOTH)]
    made += [*render_conditions(results, out, formats=BOTH), *render_cards(results, out, formats=BOTH)]
    return [*made, *render_sheets(results, out / "private", formats=BOTH)]


@POPPLER
def test_pages_are_as_long_as_they_may_be(pages: list[Path]) -> None:
    for page in pages:
        most = LENGTHS.get(page.stem.split("-")[0]) if page.stem != "audit-annex" else None
        if page.suffix == ".pdf" and most is not None:
            said = subprocess.run(["pdfinfo", page], capture_output=True, text=True, check=True).stdout
            (found,) = re.findall(r"^Pages: +(\d+)$", said, re.M)
            assert int(found) <= most, page.stem


def test_words_in_figures_are_legible_apart_and_inside(pages: list[Path]) -> None:
    drawn = [page for page in pages if page.suffix == ".html" and "<img " in page.read_text(encoding="utf-8")]
    assert len(drawn) > 40
    with chromium() as browser:
        for page in drawn:
            for viewport in (DESK, PHONE):
                assert faults_of_figures(browser, page, viewport) == [], page.stem
