"""Every report keeps to what both renderers set alike."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from examtally.contracts.contract import load_contract
from examtally.contracts.results import result_codes
from examtally.reporting.engine.executor import read_report
from examtally.reporting.engine.wording import read_wording
from examtally.resources import resource

REPORTS = resource("reports")
FILES = sorted(REPORTS.glob("*.qmd"))
WHOLE = [path for path in FILES if not path.name.startswith("_")]

HOUSE = REPORTS / "_extensions" / "house"
FORBIDDEN = {
    "mathematics": r"\$[^$\s{][^$]*\$",
    "inline SVG": r"<svg",
    "an outside address": r"https?://|//cdn",
}


def prose(path: Path) -> str:
    """The text of a file without its cells and front matter."""
    text = re.sub(r"^```\{python\}\n.*?^```$", "", path.read_text(encoding="utf-8"), flags=re.M | re.S)
    return re.sub(r"\A---\n.*?^---\n", "", text, flags=re.M | re.S)


def test_there_are_these_reports() -> None:
    assert [path.name for path in WHOLE] == [
        "actions.qmd",
        "agreement_day.qmd",
        "audit-annex.qmd",
        "audit.qmd",
        "card.qmd",
        "change.qmd",
        "condition.qmd",
        "examiner.qmd",
        "index.qmd",
        "intake.qmd",
        "lead.qmd",
        "maneuvers.qmd",
        "monthly.qmd",
        "network.qmd",
        "release.qmd",
        "study.qmd",
        "supervisor.qmd",
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_prose_uses_nothing_that_one_renderer_alone_knows(path: Path) -> None:
    found = [what for what, pattern in FORBIDDEN.items() if re.search(pattern, prose(path))]
    assert found == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_figures_stand_in_cells_where_a_helper_asks_for_their_alternative_text(path: Path) -> None:
    assert "![" not in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", WHOLE, ids=lambda path: path.name)
def test_each_report_is_read_whole_and_takes_parameters(path: Path) -> None:
    report = read_report(path)
    assert {"title"} <= set(report.front)
    assert [cell.takes_parameters for cell in report.cells].index(True) == 0


def test_the_site_holds_no_page_of_one_person_and_no_page_of_records() -> None:
    wanted = yaml.safe_load((REPORTS / "_quarto-site.yml").read_text(encoding="utf-8"))["project"]["render"]
    private = ("examiner", "lead", "intake", "study", "release", "card", "monthly", "condition")
    assert [name for name in private if any(Path(f"{name}.qmd").match(pattern) for pattern in wanted)] == []


def test_every_file_that_the_look_names_is_there() -> None:
    formats = yaml.safe_load((HOUSE / "_extension.yml").read_text(encoding="utf-8"))["contributes"]["formats"]
    named = [formats["common"]["csl"], formats["common"]["filters"][0]["path"], *formats["html"]["css"]]
    named += [formats["html"]["include-after-body"], formats["docx"]["reference-doc"]]
    named += formats["typst"]["template-partials"]
    assert [name for name in named if not (HOUSE / name).is_file()] == []
    assert formats["common"]["filters"][0]["at"] == "pre-ast", "both renderers go on from the same text"


def test_every_part_is_used_and_every_used_part_is_there() -> None:
    used: set[str] = set()
    for path in WHOLE:
        used |= {cell.file for cell in read_report(path).cells} - {path.name}
        used |= set(re.findall(r"include ([\w.]+) >", path.read_text(encoding="utf-8")))
    assert used == {part.name for part in FILES if part.name.startswith("_")}


def test_style_and_script_fetch_nothing() -> None:
    for name in ("house.css", "page.css", "house.html"):
        assert not re.search(r"url\(|@import|https?:|src=|fetch\(", (HOUSE / name).read_text(encoding="utf-8"))


def test_every_short_word_belongs_to_a_declared_code() -> None:
    words = yaml.safe_load((REPORTS / "words.yaml").read_text(encoding="utf-8"))
    codes = {name: set(meanings) for name, meanings in result_codes().items()}
    codes["group_by"] |= set(load_contract().catalogue.groupings)
    alone = {f"{code}_only" for code, one in load_contract().catalogue.modalities.items() if one.alone}
    codes["scenario"] = codes["scenario"] - {"modality_only"} | alone
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
