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
from html.parser import HTMLParser
from pathlib import Path

import pytest
from programs import POPPLER
from word_document import read_document

from examtally.demo import run_demo
from examtally.reporting import (
    copy_project,
    render_actions,
    render_audit,
    render_cards,
    render_conditions,
    render_intake,
    render_monthly,
    render_sheets,
    render_shelf,
)
from examtally.reporting.audit import audit as audit_of
from examtally.reporting.engine import renderer

QUARTO = shutil.which("quarto")
pytestmark = pytest.mark.skipif(
    QUARTO is None, reason="not run: no Quarto on this machine, so its pages were compared with nothing"
)
BOTH, PAPER = ("html", "pdf"), ("html", "docx", "pdf")
REPORTS = {
    "audit": (render_audit, PAPER, {}),
    "monthly": (render_monthly, PAPER, {"period": "P012"}),
    "actions": (render_actions, PAPER, {}),
    "condition": (render_conditions, BOTH, {"condition": "acl_tear"}),
    "card": (render_cards, BOTH, {"condition": "acl_tear"}),
    "examiner": (render_sheets, BOTH, {"examiner": "E-02"}),
    "intake": (render_intake, (), {"batch": 1}),
    "index": (render_shelf, (), {}),
}


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
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("demo") / "demo"
    run_demo(out, scenario=Path("small"))
    return out / "results"


@pytest.fixture
def same_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The codes that a report draws for examiners, alike in both."""
    monkeypatch.setattr(audit_of.random, "SystemRandom", lambda: random.Random(7))


def rendered(report: str, results: Path, out: Path) -> dict[str, Path]:
    render, formats, options = REPORTS[report]
    out.mkdir(parents=True, exist_ok=True)
    given = {**options, **({"formats": formats} if formats else {})}
    return {page.name: page for page in render(results, out, **given)}


@POPPLER
@pytest.mark.usefixtures("same_codes")
@pytest.mark.parametrize("report", REPORTS)
def test_both_renderers_set_the_same_pages(
    report: str, results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_quarto = rendered(report, results, tmp_path / "quarto")
    monkeypatch.setattr(renderer.shutil, "which", lambda _: None)
    by_pandoc = rendered(report, results, tmp_path / "pandoc")
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


def test_a_page_renders_by_hand_with_parameters(project: Path, results: Path) -> None:
    given = ("-P", f"results:{results}", "-P", "condition:pcl_tear")
    done = quarto("render", "reports/condition.qmd", *given, folder=project.parent)
    assert done.returncode == 0, done.stderr
    assert "posterior cruciate" in (project / "_site" / "condition.html").read_text(encoding="utf-8").lower()


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
