"""Quarto and our own renderer set the same pages, in every format, and a project renders by hand.

They run where Quarto is installed; where it is not, the tests say that they did not run.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

import pytest
from day_clinic import day_results
from ledger_kept import make_ledger
from programs import POPPLER
from study_clinic import make_registry
from word_document import read_document
from writing_commands import write_pooled

from examtally.cli.app import main
from examtally.demo import run_demo
from examtally.reporting import (
    copy_project,
    render_actions,
    render_audit,
    render_cards,
    render_conditions,
    render_intake,
    render_lead,
    render_monthly,
    render_release,
    render_sheets,
    render_shelf,
)
from examtally.reporting.agreement_day import render_agreement_day
from examtally.reporting.audit import audit as audit_of
from examtally.reporting.change_page import render_change
from examtally.reporting.engine import renderer
from examtally.reporting.manuscript.paper import render_study
from examtally.reporting.reports import render_network
from examtally.reporting.supervisor_page import render_supervisor
from examtally.results import read_results
from examtally.studies import locking

QUARTO = shutil.which("quarto")
pytestmark = pytest.mark.skipif(
    QUARTO is None, reason="not run: no Quarto on this machine, so its pages were compared with nothing"
)
EXAMPLES = Path(__file__).resolve().parents[2] / "docs" / "studies"
ALL = ("html", "docx", "pdf")
REPORTS: dict[str, Callable[[Made, Path], list[Path]]] = {
    "audit": lambda made, out: render_audit(made.results, out, formats=ALL),
    "monthly": lambda made, out: render_monthly(made.results, out, period="P012", formats=ALL),
    "actions": lambda made, out: render_actions(made.results, out, formats=ALL),
    "change": lambda made, out: render_change(made.results, out, formats=ALL),
    "condition": lambda made, out: render_conditions(made.results, out, condition="acl_tear", formats=ALL),
    "card": lambda made, out: render_cards(made.results, out, condition="acl_tear", formats=ALL),
    "examiner": lambda made, out: render_sheets(made.results, out, examiner="E-02", formats=ALL),
    "supervisor": lambda made, out: render_supervisor(made.results, out, formats=ALL),
    "lead": lambda made, out: render_lead(made.results, out, formats=ALL),
    "intake": lambda made, out: render_intake(made.results, out, batch=1),
    "index": lambda made, out: render_shelf(made.results, out),
    "network": lambda made, out: render_network(made.pooled, out, formats=ALL),
    "agreement day": lambda made, out: render_agreement_day(read_results(made.day), out, formats=ALL),
    "study": lambda made, out: render_study(made.study, out, formats=ALL),
    "release": lambda made, out: render_release(made.results, out, registry=made.ledger(out), formats=ALL)[2:],
}
"""Every report in every format that it has."""


@dataclass(frozen=True)
class Made:
    """Results folders of each kind."""

    results: Path
    pooled: Path
    day: Path
    study: Path

    def ledger(self, out: Path) -> Path:
        """A registry of its own for each release, so that none went out before."""
        return make_ledger(out.parent / f"{out.name}-kept", read_results(self.results).provenance.registry)


class Content(HTMLParser):
    """Visible text, headings, tables, captions, anchors and alternative texts of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.headings: list[str] = []
        self.captions: list[str] = []
        self.anchors: list[str] = []
        self.links: list[str] = []
        self.alternatives: list[str] = []
        self._inside: list[str] = []

    @property
    def all(self) -> dict[str, list[str]]:
        """Everything by kind."""
        kinds = ("words", "headings", "captions", "anchors", "links", "alternatives")
        return {kind: getattr(self, kind) for kind in kinds}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._inside.append(tag)
        if re.fullmatch(r"(table|figure)-.*", given.get("id") or ""):
            self.anchors.append(str(given["id"]))
        if tag == "a" and (given.get("href") or "").startswith("#"):
            self.links.append(str(given["href"]))
        if tag == "img":
            self.alternatives.append(str(given.get("alt")))
        if tag in {"img", "br", "meta", "link", "input", "hr", "col"}:
            self._inside.pop()

    def handle_endtag(self, tag: str) -> None:
        while self._inside and self._inside.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if {"script", "style", "title"} & set(self._inside):
            return
        self.words += data.split()
        if self._inside and re.fullmatch(r"h[1-6]", self._inside[-1]):
            self.headings.append(" ".join(data.split()))
        if {"caption", "figcaption"} & set(self._inside):
            self.captions.append(" ".join(data.split()))


def content(page: Path) -> Content:
    found = Content()
    found.feed(page.read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    root = tmp_path_factory.mktemp("made")
    run_demo(root / "demo", scenario=Path("small"))
    day = day_results(_folder(root / "day")).write(root / "day" / "results")
    return Made(root / "demo" / "results", write_pooled(root / "pooled"), day, _study(_folder(root / "study")))


def _folder(path: Path) -> Path:
    path.mkdir()
    return path


def _study(folder: Path) -> Path:
    registry, protocol = make_registry(folder), folder / "paired_by_girth.yaml"
    whole = (EXAMPLES / protocol.name).read_text(encoding="utf-8")
    protocol.write_text(f"{whole}missing: {{findings: excluded}}\n", encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(locking, "rehearse", lambda *_, **__: None)  # takes seconds, and shows nothing on a page
        assert main(["study", "lock", str(protocol), "--registry", str(registry), "--operator", "OP-1"]) == 0
    results = folder / "results"
    assert main(["study", "run", str(protocol), "--registry", str(registry), "--out", str(results)]) == 0
    return results


@pytest.fixture(scope="module")
def results(made: Made) -> Path:
    return made.results


@pytest.fixture
def same_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The codes that a report draws for examiners, alike in both."""
    monkeypatch.setattr(audit_of.random, "SystemRandom", lambda: random.Random(7))


@POPPLER
@pytest.mark.usefixtures("same_codes")
@pytest.mark.parametrize("report", REPORTS)
def test_both_renderers_set_the_same_pages(
    report: str, made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "quarto").mkdir()
    (tmp_path / "pandoc").mkdir()
    by_quarto = {page.name: page for page in REPORTS[report](made, tmp_path / "quarto")}
    monkeypatch.setattr(renderer.shutil, "which", lambda _: None)
    by_pandoc = {page.name: page for page in REPORTS[report](made, tmp_path / "pandoc")}
    assert by_quarto.keys() == by_pandoc.keys()
    for name, page in by_quarto.items():
        if page.suffix == ".html":
            assert content(page).all == content(by_pandoc[name]).all, name
        elif page.suffix == ".docx":
            ours, theirs = read_document(by_pandoc[name]), read_document(page)
            assert theirs.text.split() == ours.text.split(), name
        else:
            assert _sheets(page) == _sheets(by_pandoc[name]), name
            assert sorted(_said(page)) == sorted(_said(by_pandoc[name])), name


def _sheets(page: Path) -> list[str]:
    said = subprocess.run(["pdfinfo", page], capture_output=True, text=True, check=True).stdout
    return re.findall(r"^(?:Title|Tagged|Pages|Page size):.*$", said, re.M)


def _said(page: Path) -> list[str]:
    return subprocess.run(["pdftotext", page, "-"], capture_output=True, text=True, check=True).stdout.split()


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_project(tmp_path / "reports")


def quarto(*words: object, folder: Path) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"QUARTO_PYTHON": os.environ.get("QUARTO_PYTHON", sys.executable), "PWD": str(folder)}
    command = [str(QUARTO), *map(str, words)]
    return subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, check=False)


@pytest.mark.usefixtures("same_codes")
@pytest.mark.parametrize(
    ("report", "page", "given"),
    [
        ("audit", "audit", {}),
        ("monthly", "monthly-P012", {"period": "P012"}),
        ("condition", "condition-acl_tear", {"condition": "acl_tear"}),
        ("change", "change", {}),
    ],
)
def test_a_page_by_hand_is_that_of_the_command(
    report: str, page: str, given: dict[str, str], project: Path, made: Made, tmp_path: Path
) -> None:
    """Quarto runs the cells itself here; only what the page was made with may differ."""
    words = [word for key, value in {"results": made.results, **given}.items() for word in ("-P", f"{key}:{value}")]
    done = quarto("render", f"reports/{report}.qmd", "--profile", "page", *words, folder=project.parent)
    assert done.returncode == 0, done.stderr
    (tmp_path / "out").mkdir()
    ours = {path.stem: path for path in REPORTS[report](made, tmp_path / "out") if path.suffix == ".html"}[page]
    assert content(project / f"{report}.html").all == content(ours).all


def test_a_page_of_the_site_renders_by_hand_with_parameters(project: Path, results: Path) -> None:
    done = quarto("render", "reports/audit.qmd", "-P", f"results:{results}", folder=project.parent)
    assert done.returncode == 0, done.stderr
    page = (project / "_site" / "audit.html").read_text(encoding="utf-8")
    assert '<h1 class="title">Knee: how accurate is the exam in our own hands?</h1>' in page
    assert 'id="table-core"' in page


def test_the_project_renders_to_a_site_without_private_pages(project: Path, results: Path) -> None:
    shutil.copytree(results, project / "results")
    done = quarto("render", "reports", folder=project.parent)
    assert done.returncode == 0, done.stderr
    pages = {path.name for path in (project / "_site").glob("*.html")}
    assert {"index.html", "audit.html", "audit-annex.html", "actions.html", "maneuvers.html"} <= pages
    assert "condition-acl_tear.html" in pages
    assert len([name for name in pages if name.startswith("monthly-")]) > 1
    assert not pages & {"examiner.html", "intake.html", "study.html", "release.html", "card.html", "lead.html"}
    assert (project / "_site" / "search.json").is_file()
    assert list(project.glob("condition-*.qmd")) == []
    index = (project / "_site" / "index.html").read_text(encoding="utf-8")
    assert 'href="condition-acl_tear.html"' in index or 'href="./condition-acl_tear.html"' in index
