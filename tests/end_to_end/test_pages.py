"""The pages of the demo's clinic: one figure a name, or the sentence that tells two apart; words; printed lengths."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import polars as pl
import pytest
from browsing import chromium
from demo_run import CONDITIONS, SHEETS, Pages, Run
from page_text import Figure, Page, figures
from programs import POPPLER

from examtally.contracts.contract import load_contract
from examtally.reporting.engine.aims import AIMS
from examtally.reporting.engine.numbers import percent, ratio
from examtally.workbook.exam_form import form_page

SAID = load_contract().catalogue.noun.said
PAGES = {"audit": 12, "monthly-P018": 2} | {f"examiner-{code}": 2 for code in SHEETS}
PAGES |= {f"condition-{code}": 4 for code in CONDITIONS} | {f"card-{code}": 1 for code in CONDITIONS}
OTHER = (
    "severity",
    "as one test",
    "two groups",
    "published",
    "truth",
    "(exploratory)",
    "by examiner",
    "by site",
    "how far",
    "your figures",
)
"""Words over figures that are not those of one maneuver in everybody, and say so."""

README = Path(__file__).resolve().parents[2] / "README.md"
LEFT = (
    r"answers? (became|is|are|was|were) known|whose answer|known answer|answer known|corrected for who was",
    r"allowing for (MRI|the errors|errors)|told apart|hands added|too (bold|timid)|likelier|\bstory\b|\bfilms?\b",
    r"slipped growth plate|(outer|inner) side|\bcouch\b|the person\b|come along|declared level|\bmended\b|\bproven\b",
    r"knees counted|takes off what chance|findings as wrong|fixed rule|rows? held|newest period|\bmature\b|read apart",
    r"group apart|carries the work|\berring\b|err together|could not have made these data|of these assumptions turns",
    r"nothing is lost that chance|P 0\.00",
)
BRITISH = (
    r"fibre|tumour|anaesthe|orthopaedic|manoeuvre|catalogue|practise|judgement|colour|favour|centimetre|oedema|towards",
    r"\bgrey\b|analysed?\b|(standardis|generalis|organis)(e|ed|ing|ation)",
)
CODE = r"\b[a-z]{2,}(_[a-z0-9]+)+\b"


@pytest.fixture(scope="module")
def pages(demo_pages: Pages) -> dict[str, Page]:
    """Every page but the lead's own, by name."""
    return {
        path.stem: Page(path.read_text(encoding="utf-8"))
        for kind in ("group", "sheets")
        for path in (demo_pages.root / kind).glob("*.html")
    }


@pytest.fixture(scope="module")
def leading(demo: Run) -> dict[tuple[str, str], set[str]]:
    """The leading figures as pages write them, by maneuver and measure, for any of its conditions."""
    found: dict[tuple[str, str], set[str]] = {}
    rows = pl.read_parquet(demo.out / "results" / "leading.parquet").filter(group_by="overall")
    for row in rows.iter_rows(named=True):
        for measure in ("sensitivity", "specificity", "lr_positive", "lr_negative"):
            write = percent if measure.startswith("s") else ratio
            found.setdefault((row["maneuver"], measure), set()).add(write(row[measure]))
    return found


def strange(page: Page, leading: dict[tuple[str, str], set[str]]) -> list[Figure]:
    """Figures of one maneuver that are neither the leading ones nor named for what they aim at."""
    names = {maneuver.name: code for code, maneuver in load_contract().catalogue.maneuvers.items()}
    told = (*(SAID(aim.name) for aim in AIMS.values()), *OTHER)
    return [
        one
        for one in figures(page, names)
        if one.shown not in leading.get((one.maneuver, one.measure), set())
        and not any(words in one.words.lower() for words in told)
    ]


def test_no_page_shows_a_second_figure_of_one_name_unless_it_says_what_it_aims_at(
    pages: dict[str, Page], leading: dict[tuple[str, str], set[str]]
) -> None:
    for name, page in pages.items():
        if name != "audit-annex" and not name.startswith("examiner"):  # the annex parts by group and examiner
            assert strange(page, leading) == [], name


def test_each_aim_that_is_named_has_its_sentence_on_the_page(pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        for aim in AIMS.values():
            if any(SAID(aim.name) in f"{table.caption} {table.columns()}".lower() for table in page.tables):
                sentence = SAID(aim.sentence).replace("*", "")
                assert sentence in page.text or "right where every knee is imaged" in page.text, (name, aim.name)


def test_a_page_switched_back_to_verified_knees_is_found(
    demo_pages: Pages, leading: dict[tuple[str, str], set[str]], demo: Run
) -> None:
    html = demo_pages.find("condition-acl_tear.html").read_text(encoding="utf-8")
    rows = pl.read_parquet(demo.out / "results" / "accuracy.parquet").filter(
        condition="acl_tear", maneuver="lachman", group_by="overall", measure="sensitivity"
    )
    for adjustment in ("none", "verification"):
        other = percent(rows.filter(adjustment=adjustment)["estimate"][0])
        (row,) = {percent(v) for v in rows.filter(adjustment="bias_adjusted")["estimate"]}
        assert other != row
        back = html.replace(f"<td>{row}<br /><small>", f"<td>{other}<br /><small>", 1)
        assert back != html
        assert {one.maneuver for one in strange(Page(back), leading)} == {"lachman"}


def test_folds_hold_what_is_not_to_be_decided_by(demo_pages: Pages) -> None:
    for code in CONDITIONS:
        html = demo_pages.find(f"condition-{code}.html").read_text(encoding="utf-8")
        shown = Page(re.sub(r"<details>.*?</details>", "", html, flags=re.S))
        for table in shown.tables:
            assert "bias alone" not in table.caption
            is_accuracy = any(word in " ".join(table.columns()) for word in ("Sensitivity", "Specificity"))
            assert not (is_accuracy and SAID(AIMS["none"].name) in table.caption), table.caption


def _around(pattern: str, text: str) -> str | None:
    """The first words of a text that the pattern finds, with some before and after; None where it finds none."""
    found = re.search(pattern, text, re.I)
    return found and text[max(0, found.start() - 40) : found.end() + 30]


@pytest.mark.parametrize("pattern", [*LEFT, *BRITISH])
def test_pages_speak_as_the_trade_does(pages: dict[str, Page], pattern: str) -> None:
    for name, page in pages.items():
        assert _around(pattern, page.text) is None, name


@pytest.mark.parametrize("pattern", LEFT)
def test_readme_and_form_speak_as_the_trade_does(pattern: str) -> None:
    for text in (README.read_text(encoding="utf-8"), form_page(load_contract())):
        assert _around(pattern, text) is None


def test_no_code_of_a_machine_stands_in_a_sentence(pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        assert re.findall(CODE, page.prose) == [], name


def test_the_monthly_page_has_the_figures_of_the_audit(pages: dict[str, Page]) -> None:
    names = {maneuver.name: code for code, maneuver in load_contract().catalogue.maneuvers.items()}
    month, audit = (
        {(one.maneuver, one.measure): one.shown for one in figures(pages[page], names) if caption in one.words.lower()}
        for page, caption in (("monthly-P018", "main maneuvers, all periods"), ("audit", "main maneuvers of the core"))
    )
    assert month
    assert {key: audit[key] for key in month} == month


@POPPLER
@pytest.mark.parametrize(("name", "most"), PAGES.items())
def test_a_page_is_as_long_as_it_may_be(demo_pages: Pages, name: str, most: int) -> None:
    said = subprocess.run(
        ["pdfinfo", demo_pages.find(f"{name}.pdf")], capture_output=True, text=True, check=True
    ).stdout
    found = re.search(r"^Pages: +(\d+)$", said, re.M)
    assert found is not None
    assert int(found.group(1)) <= most


def test_pages_printed_from_a_browser_are_as_long_as_they_may_be(demo_pages: Pages) -> None:
    wanted = {name: most for name, most in PAGES.items() if "acl_tear" in name or name == f"examiner-{SHEETS[0]}"}
    with chromium() as browser:
        for name, most in wanted.items():
            page = browser.new_page()
            page.goto(demo_pages.find(f"{name}.html").as_uri())
            printed = page.pdf(format="A4")
            page.close()
            assert 1 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= most, name
    assert len(wanted) == 3
