"""The page of a condition: its parts in order, sentences that follow the figures, and honesty where people are few."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import polars as pl
import pytest

from examtally.cli.app import main
from examtally.reporting import render_shelf
from examtally.reporting.audit.audit import Audit
from examtally.reporting.condition_page.added import added_block
from examtally.reporting.condition_page.deciding import NO_REFUSAL, deciding_block
from examtally.reporting.condition_page.short import NEXT_TO_NOTHING, short_block
from examtally.reporting.condition_page.together import together_block
from examtally.results import Results

PARTS = (
    "In short",
    "Each maneuver alone",
    "Which of two is better",
    "What a grade means",
    "What findings say together",
    "What the exam adds to the history",
    "The short exam",
    "Whom an image would help",
    "How sure this is",
)


def text_of(page: Path) -> str:
    return " ".join(unescape(re.sub(r"<(style|script).*?</\1>|<[^>]+>", " ", page.read_text(encoding="utf-8"),
                                    flags=re.S)).split())  # fmt: skip


@pytest.fixture
def at_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def changed(audit: Audit, name: str, **values: object) -> Audit:
    """The audit with other values in the columns of one table."""
    frame = audit.table(name).with_columns(
        pl.lit(value, audit.table(name).schema[column]).alias(column) for column, value in values.items()
    )
    results = Results({**audit.results.tables, name: frame}, audit.results.provenance)
    return Audit(results, audit.contract, audit.protocol, audit.wording)


def test_the_parts_stand_in_order(told: Path) -> None:
    page = (told / "out" / "condition-acl_tear.html").read_text(encoding="utf-8")
    headings = [text for text in re.findall(r"<h2[^>]*>(.*?)</h2>", page) if text != "Contents"]
    assert tuple(headings[: len(PARTS)]) == PARTS
    assert "<title>Anterior cruciate ligament tear</title>" in page
    text = text_of(told / "out" / "condition-acl_tear.html")
    assert "Exploratory: this analysis was not written down beforehand" in text
    assert "not blind to each other" in text
    assert text.count("right where every knee is imaged") <= 1
    assert text.index("What to do next") < text.index("Figure 1") < text.index("Counted as present")
    assert "no finding" not in text
    assert "Never a reason to refuse an image" in text


def test_several_findings_are_told_by_the_leading_estimate(whole: Audit) -> None:
    shown = together_block(whole, whole.catalogue.conditions["acl_tear"]).split("<details>")[0]
    chosen = str(whole.table("patterns").filter(condition="acl_tear")["maneuvers"][0])
    rows = whole.table("combinations").filter(condition="acl_tear", rule="all_of", measure="sensitivity")
    of_all = rows.filter(pl.col("maneuvers").str.split(", ").list.sort() == sorted(chosen.split(", ")))
    for adjustment, is_shown in (("bias_adjusted", True), ("none", False)):
        row = of_all.filter(adjustment=adjustment).row(0, named=True)
        cell = f"{row['estimate']:.0%}<br /><small>{100 * row['ci_low']:.0f}–{100 * row['ci_high']:.0f}%"
        assert (cell in shown) is is_shown


def test_all_positive_is_counted_and_multiplying_stands_beside_it(whole: Audit) -> None:
    condition = whole.catalogue.conditions["acl_tear"]
    text = together_block(whole, condition).split("<details>")[1]
    chosen = str(whole.table("patterns").filter(condition="acl_tear")["maneuvers"][0])
    row = (
        whole.table("combinations")
        .filter(condition="acl_tear", rule="all_of", measure="sensitivity", adjustment="none")
        .filter(pl.col("maneuvers").str.split(", ").list.sort() == sorted(chosen.split(", ")))
        .row(0, named=True)
    )
    assert f"all positive in {row['events']} of {row['n']} ({row['estimate']:.0%})" in text
    assert f"would have given {row['if_independent']:.0%}" in text
    assert "+/+/+" in text
    assert "all negative" in text


@pytest.mark.usefixtures("at_work")
def test_few_people_have_no_figures(whole: Audit) -> None:
    condition = whole.catalogue.conditions["acl_tear"]
    assert together_block(changed(whole, "patterns", participants=9), condition) == ""
    text = together_block(changed(whole, "combinations", participants=9), condition)
    assert "Multiplying their single figures" not in text
    for block, table, figure in (
        (added_block, "added_value", "difference"),
        (deciding_block, "decision_curve", "net_benefit"),
    ):
        lacking = changed(whole, table, **{figure: None, "note": "Too few to model: 19 knees."})
        assert block(lacking, condition) == "Too few to model: 19 knees."
    lacking = changed(whole, "short_exam", is_best=None, note="Too few to model: 19 knees.")
    assert short_block(lacking, condition) == "Too few to model: 19 knees."


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.02, 0.13, "The exam adds to the history."),
        (-0.02, 0.13, "Too early to say whether the exam adds to the history."),
        (-0.2, -0.1, "The exam made the forecast worse."),
    ],
)
def test_what_the_exam_adds_follows_the_interval(whole: Audit, low: float, high: float, said: str) -> None:
    audit = changed(whole, "added_value", ci_low=low, ci_high=high)
    assert said in added_block(audit, audit.catalogue.conditions["acl_tear"])


@pytest.mark.parametrize(
    ("term", "is_told"), [("lachman_positive", True), ("lachman_no_finding", False), ("onset_unknown", False)]
)
def test_what_was_not_recorded_is_no_finding_with_odds_of_its_own(whole: Audit, term: str, is_told: bool) -> None:
    audit = changed(whole, "model_terms", term=term)
    text = added_block(audit, audit.catalogue.conditions["acl_tear"])
    assert ("does to the odds beside all the others" in text) is is_told


def test_a_short_exam_is_enough_where_its_whole_interval_loses_next_to_nothing(whole: Audit) -> None:
    condition = whole.catalogue.conditions["acl_tear"]
    enough = short_block(changed(whole, "short_exam", lost_low=-0.01, lost_high=NEXT_TO_NOTHING), condition)
    assert "**1 maneuver, " in enough
    assert "as good as all" in enough
    unknown = short_block(changed(whole, "short_exam", lost_low=-0.01, lost_high=NEXT_TO_NOTHING + 0.001), condition)
    assert "do them all" in unknown
    assert "as good as" not in unknown
    worse = short_block(changed(whole, "short_exam", lost_low=0.01, lost_high=0.02), condition)
    assert "Every shorter exam forecasts worse" in worse


@pytest.mark.usefixtures("at_work")
def test_images_saved_and_knees_missed_are_per_100_and_no_reason_to_refuse(whole: Audit) -> None:
    text = deciding_block(whole, whole.catalogue.conditions["acl_tear"])
    assert NO_REFUSAL in text
    row = (
        whole.table("decision_curve")
        .filter(strategy="model_exam", threshold=0.2, condition="acl_tear", adjustment="bias_adjusted")
        .row(0, named=True)
    )
    assert f"saves {100 - row['imaged_per_100']:.0f} images" in text
    assert f"{row['missed_per_100']:.1f} «nouns» with the condition without one" in text
    assert not re.search(r"need not|should not be imaged|unnecessary|refuse imaging", text)


@pytest.mark.parametrize("size", ["young", "empty"])
def test_a_young_registry_has_one_sentence_where_there_is_nothing(made: Path, tmp_path: Path, size: str) -> None:
    arguments = ["report", "condition", "--results", str(made / size / "results"), "--out", str(tmp_path)]
    assert main([*arguments, "--condition", "acl_tear"]) == 0
    text = text_of(tmp_path / "condition-acl_tear.html")
    for sentence in (
        "No two of its maneuvers were done on the same verified knees",
        "Nothing that is graded or measured has enough patients",
        "Too few verified knees have findings of two of its maneuvers",
        "no figure here is a reason to refuse one",
    ):
        assert sentence in text


def test_the_index_lists_them_by_name(told: Path) -> None:
    render_shelf(told / "results", told / "out")
    index = (told / "out" / "index.html").read_text(encoding="utf-8")
    for name in ("condition-acl_tear.html", "card-acl_tear.html", "card-acl_tear.pdf"):
        assert f'href="{name}"' in index
    assert "Anterior cruciate ligament tear acl_tear" not in index


def test_no_page_holds_a_row_about_a_person(told: Path) -> None:
    for page in (told / "out").glob("*-acl_tear.html"):
        assert not re.search(r"EX-\d\d", page.read_text(encoding="utf-8"))
