"""Quarto and our own renderer give the same page, where Quarto is installed; elsewhere these tests did not run."""

from __future__ import annotations

import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest

from examtally.demo import run_demo
from examtally.reporting import render_audit, render_monthly
from examtally.reporting.engine import renderer

pytestmark = pytest.mark.skipif(shutil.which("quarto") is None, reason="not run: no Quarto")


class Content(HTMLParser):
    """Visible text, headings, tables and alternative texts of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.headings: list[str] = []
        self.tables = 0
        self.alternatives: list[str] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside.append(tag)
        if tag == "table":
            self.tables += 1
        if tag == "img":
            self.alternatives.append(str(dict(attrs).get("alt")))
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


def content(page: Path) -> Content:
    found = Content()
    found.feed(page.read_text(encoding="utf-8"))
    return found


@pytest.mark.parametrize("report", ["audit", "monthly"])
def test_both_renderers_say_the_same(report: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run_demo(tmp_path / "demo", scenario=Path("small"))

    def render(out: Path) -> Content:
        results = tmp_path / "demo" / "results"
        if report == "audit":
            pages = render_audit(results, out)
        else:
            period = re.sub(r".*monthly-|\.html", "", str(next((tmp_path / "demo" / "report").glob("monthly-*.html"))))
            pages = render_monthly(results, out, period=period)
        return content(pages[0])

    by_quarto = render(tmp_path / "quarto")
    monkeypatch.setattr(renderer.shutil, "which", lambda _: None)
    by_pandoc = render(tmp_path / "pandoc")
    assert by_quarto.headings == by_pandoc.headings
    assert by_quarto.tables == by_pandoc.tables
    assert by_quarto.alternatives == by_pandoc.alternatives
    assert by_quarto.words == by_pandoc.words
