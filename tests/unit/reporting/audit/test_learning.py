"""The part of the report about learners."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from examtally.analytics.learning_curves.tables import learning_table
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import conform, empty
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.learning import HOW_TO_GET, MOST_CHARTS, NOBODY, section
from examtally.reporting.audit.learning_chart import LearningChart, learning_chart
from examtally.reporting.engine.wording import read_wording
from examtally.resources import resource
from examtally.results import Results
from examtally.results.results import Provenance

LACHMAN = ("acl_tear", "lachman")


def cases(
    number: int, examiner: str, pair: tuple[str, str] = LACHMAN, outcome: str = "reference", failing: float = 0.1
):
    """Cases of one learner over eight periods."""
    draw = np.random.default_rng(number)
    place = np.sort(draw.integers(1, 9, number))
    return pl.DataFrame(
        {
            **dict.fromkeys(("condition", "maneuver", "examiner_id", "outcome"), ""),
            "place": place,
            "period": [f"P{period:03}" for period in place],
            "participant": np.arange(number),
            "positive": draw.random(number) < 0.4,
            "failed": draw.random(number) < failing,
        }
    ).with_columns(
        condition=pl.lit(pair[0]), maneuver=pl.lit(pair[1]), examiner_id=pl.lit(examiner), outcome=pl.lit(outcome)
    )


def audit(*parts: pl.DataFrame, with_tallies: bool = True, **learning: Any) -> Audit:
    """What a report reads of these cases alone."""
    contract = load_contract()
    protocol = load_protocol({"learning": learning}, contract)
    table = learning_table(pl.concat(parts), protocol) if parts else empty("learning")
    tallies = empty("tallies")
    if with_tallies:
        row = {name: 0 if kind.is_integer() else "" for name, kind in tallies.schema.items()}
        key = {"condition": "acl_tear", "maneuver": "lachman", "group_by": "examiner", "group": "EX-01"}
        tallies = pl.DataFrame([row | key], schema=tallies.schema)
    tables = {"learning": conform("learning", table), "tallies": tallies}
    provenance = Provenance("0" * 64, protocol.to_dict(), protocol.hash, 1, {})
    return Audit(Results(tables, provenance), contract, protocol, read_wording(resource("reports")))


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def drawing(text: str) -> str:
    """All that is written on the figures."""
    return " ".join(path.read_text(encoding="utf-8") for path in sorted(Path("fig").glob("*.svg"))) + text


def test_limits_bear_their_chances_and_the_caption_says_where_the_learner_stands() -> None:
    text = section(audit(cases(40, "EX-01", failing=0.0)))
    assert "Level reached: false signal 5%, true 88%, in 60 cases" in drawing(text)
    assert "Level perhaps left: false signal 5%, true 90%, in 60 cases" in drawing(text)
    assert '<td class="words">case 15</td>' in text
    assert "0 of 40 (0%) findings differed from the known answer; level reached at case 15." in text
    assert re.search(r"\{alt=\"Chart of learning of \w\d for Lachman test", text)
    assert "data:text/csv" in text


def test_a_chart_against_a_supervisor_says_that_the_supervisor_is_not_the_truth() -> None:
    text = section(audit(cases(40, "EX-01", outcome="supervisor")))
    figure = next(Path("fig").glob("*.svg")).read_text(encoding="utf-8")
    assert "The supervisor is not the truth." in figure
    assert "The supervisor is not the truth." in text
    section(audit(cases(40, "EX-01")))
    assert "not the truth" not in next(Path("fig").glob("*.svg")).read_text(encoding="utf-8")


def test_a_planned_number_without_a_limit_is_said_on_the_chart() -> None:
    text = section(audit(cases(40, "EX-01"), planned=20))
    assert "No limit: false signal 5%, true 52%, in 20 cases" in drawing(text)
    assert "Level reached:" not in drawing("")
    assert "no limit for so few planned cases" in text
    assert '<td class="words">no limit</td>' in text


def test_learners_bear_the_codes_of_the_report_and_no_pseudonym_stands_in_it() -> None:
    made = audit(*(cases(30 + number, f"EX-{number:02}") for number in range(1, 5)))
    text = drawing(section(made))
    assert len(made.codes) == 4
    assert all(code in text for code in made.codes.values())
    assert "EX-0" not in text


def test_at_most_six_charts_are_drawn_one_of_each_learner_first_in_the_order_of_codes() -> None:
    pairs = [LACHMAN, ("acl_tear", "pivot_shift"), ("acl_tear", "anterior_drawer")]
    made = audit(*(cases(30 + number, f"EX-0{number}", pair) for number in range(1, 5) for pair in pairs))
    text = section(made)
    drawn = re.findall(r"!\[(\w+): ", text)
    assert len(drawn) == len(list(Path("fig").glob("*.svg"))) == MOST_CHARTS
    assert set(drawn) == set(made.codes.values())
    assert drawn == sorted(drawn)
    assert text.count("<details>") == 4


def test_derived_conditions_and_a_second_chart_of_the_same_finding_are_left_out() -> None:
    twice = [("medial_meniscus_tear", "mcmurray_medial"), ("meniscal_tear", "mcmurray_medial")]
    parts = [cases(30, "EX-1", pair, outcome) for pair in twice for outcome in ("reference", "supervisor")]
    text = section(audit(*parts))
    rows = re.findall(r'<th scope="row">(.*?)</th>', text)
    assert rows == ["McMurray test, medial<br /><small>Medial meniscus tear</small>", "McMurray test, medial"]
    assert "meniscal tear" not in text.lower()


def test_few_people_have_no_chart() -> None:
    text = section(audit(cases(9, "EX-01")))
    assert text == "No learner has findings in 10 people yet that can be held against an answer or a supervisor."
    assert not Path("fig").exists()


def test_without_persons_or_without_learners_a_sentence_stands_there() -> None:
    assert section(audit(with_tallies=False)) == HOW_TO_GET
    assert "--with-examiners" in HOW_TO_GET
    assert section(audit()) == NOBODY


def test_one_chart_can_be_drawn_by_itself_for_another_report() -> None:
    rows = audit(cases(25, "EX-01")).table("learning").filter(among="all")
    text = learning_chart(LearningChart("You", "Lachman test", "", rows), "mine")
    assert Path("fig/mine.svg").exists()
    assert "![You: Lachman test. " in text
    assert "EX-01" not in drawing(text)


def test_the_share_of_orders_that_reach_the_limit_is_told_while_it_is_open() -> None:
    rows = audit(cases(25, "EX-01", failing=0.5)).table("learning").filter(among="all")
    chart = LearningChart("You", "Lachman test", "", rows)
    assert chart.orders == ""
    some = LearningChart("You", "Lachman test", "", rows.with_columns(share_signalled=pl.lit(0.31)))
    assert "In 31% of the possible orders of the cases the limit would have been reached by now." in some.sentence
