"""Every report keeps to what both renderers set alike."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from examtally.contracts.contract import load_contract
from examtally.contracts.results import result_codes
from examtally.reporting.engine.executor import CELL_OPTIONS, read_report
from examtally.reporting.engine.wording import read_wording
from examtally.resources import resource

REPORTS = resource("reports")
FILES = sorted(REPORTS.glob("*.qmd"))
WHOLE = [path for path in FILES if not path.name.startswith("_")]

TOP_KEYS = {"title", "subtitle", "lang", "html-table-processing", "execute", "filters", "jupyter", "format"}
CITED = {"citeproc", "bibliography", "csl"}
HTML_KEYS = {
    *("theme", "minimal", "embed-resources", "toc", "toc-depth", "toc-title", "css", "section-divs"),
    *("include-before-body", "include-after-body", "default-image-extension"),
}
PAPER_KEYS = {
    "docx": {"toc", "toc-depth", "default-image-extension", "reference-doc"},
    "typst": {"toc", "toc-depth", "default-image-extension", "include-in-header"},
}
FORBIDDEN = {
    "Quarto's own boxes": r"\.callout",
    "Quarto's own tabs": r"\.panel-tabset",
    "cross-reference ids": r"#(fig|tbl|sec|eq)-",
    "inline code": r"`\{?python\}? ",
    "mathematics": r"\$[^$\s{][^$]*\$",
    "inline SVG": r"<svg",
    "citations": r"(?<![\w.])\[?@\w+",
    "an outside address": r"https?://|//cdn",
}


def prose(path: Path) -> str:
    """The text of a file without its cells and front matter."""
    text = re.sub(r"^```\{python\}\n.*?^```$", "", path.read_text(encoding="utf-8"), flags=re.M | re.S)
    return re.sub(r"\A---\n.*?^---\n", "", text, flags=re.M | re.S)


def test_there_are_these_reports() -> None:
    assert [path.name for path in WHOLE] == [
        "actions.qmd",
        "annex.qmd",
        "audit.qmd",
        "card.qmd",
        "condition.qmd",
        "examiner.qmd",
        "index.qmd",
        "intake.qmd",
        "maneuvers.qmd",
        "monthly.qmd",
        "release.qmd",
        "study.qmd",
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_prose_uses_nothing_that_one_renderer_alone_knows(path: Path) -> None:
    found = [what for what, pattern in FORBIDDEN.items() if re.search(pattern, prose(path))]
    assert found == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_fence_is_a_cell_with_the_one_option(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    cells = re.findall(r"^```\{python\}\n(.*?)^```$", text, flags=re.M | re.S)
    assert len(re.findall(r"^```", text, flags=re.M)) == 2 * len(cells)
    for cell in cells:
        assert tuple(line for line in cell.splitlines() if line.startswith("#|")) == CELL_OPTIONS


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_figures_stand_in_cells_where_a_helper_asks_for_their_alternative_text(path: Path) -> None:
    assert "![" not in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", WHOLE, ids=lambda path: path.name)
def test_front_matter_keeps_to_the_keys_both_read(path: Path) -> None:
    front = read_report(path).front
    assert set(front) <= TOP_KEYS
    assert front["html-table-processing"] == "none"
    assert front["execute"] == {"echo": False, "warning": True}
    assert set(front["format"]) <= {"html", "docx", "typst"}
    html = front["format"]["html"]
    cited = CITED if path.name == "study.qmd" else set()
    assert set(html) <= HTML_KEYS | cited
    assert (html["theme"], html["minimal"], html["embed-resources"]) == ("none", True, True)
    for form, keys in PAPER_KEYS.items():
        assert set(front["format"].get(form, ())) <= keys | cited
        for key in ("reference-doc", "include-in-header"):
            assert (REPORTS / front["format"].get(form, {}).get(key, "house.css")).is_file()
    for name in (
        *front["filters"],
        *(html[key] for key in ("css", "include-after-body", "bibliography", "csl") if key in html),
    ):
        assert (REPORTS / name).is_file()


def test_every_part_is_used_and_every_used_part_is_there() -> None:
    used: set[str] = set()
    for path in WHOLE:
        used |= {cell.file for cell in read_report(path).cells} - {path.name}
        used |= set(re.findall(r"include ([\w.]+) >", path.read_text(encoding="utf-8")))
    assert used == {part.name for part in FILES if part.name.startswith("_")}


def test_style_and_script_fetch_nothing() -> None:
    for name in ("house.css", "_house.html"):
        assert not re.search(r"url\(|@import|https?:|src=|fetch\(", (REPORTS / name).read_text(encoding="utf-8"))


def test_every_short_word_belongs_to_a_declared_code() -> None:
    words = yaml.safe_load((REPORTS / "words.yaml").read_text(encoding="utf-8"))
    codes = {name: set(meanings) for name, meanings in result_codes().items()}
    codes["score_meaning"] = codes["score"]
    codes["scenario_meaning"] = codes["scenario"]
    for kind in ("reason", "step", "forecast", "score", "score_meaning", "kind", "group_by"):
        assert set(words[kind]) <= codes[kind], kind
    for kind in ("reason", "step", "forecast", "kind", "scenario", "scenario_meaning"):
        assert set(words[kind]) == codes[kind], kind


def test_every_table_of_records_has_its_word() -> None:
    words = read_wording(REPORTS).words
    contract = load_contract()
    assert set(words["table"]) == set(contract.tables)
    assert set(words["phase"]) == {maneuver.phase for maneuver in contract.catalogue.maneuvers.values()}
